// A small seeded generator (mulberry32), so that a fixture is the same every time.
export function random(seed) {
  let a = seed >>> 0
  const next = () => {
    a = (a + 0x6d2b79f5) | 0
    let t = Math.imul(a ^ (a >>> 15), 1 | a)
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296
  }
  const int = n => Math.floor(next() * n)
  return { next, int, pick: list => list[int(list.length)], chance: p => next() < p }
}

// The JSON that both fixtures use for what JSON lacks.
export function plain(key, value) {
  const raw = this?.[key]
  if (typeof raw === 'bigint') return { big: String(raw) }
  if (typeof raw === 'number' && (!Number.isFinite(raw) || Object.is(raw, -0))) return { float: Object.is(raw, -0) ? '-0' : String(raw) }
  return value
}
