import * as A from '@automerge/automerge'

export function isMap(v) {
  return v !== null && typeof v === 'object' && !Array.isArray(v) && !(v instanceof Date) && !(v instanceof Uint8Array) && !(v instanceof A.Counter) && !(v instanceof A.ImmutableString)
}

// The projection's JSON: bytes in base64, counters and instants as numbers.
export function json(v) {
  if (v instanceof A.ImmutableString) return v.toString()
  if (v instanceof A.Counter) return Number(v.value)
  if (typeof v === 'bigint') return Number(v)
  if (v instanceof Date) return v.getTime()
  if (v instanceof Uint8Array) return Buffer.from(v).toString('base64')
  if (isMap(v)) return Object.fromEntries(Object.entries(v).map(([k, w]) => [k, json(w)]))
  return v
}
