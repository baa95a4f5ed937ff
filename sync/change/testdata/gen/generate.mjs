// Varied changes made by the JavaScript library: every kind of value and
// operation, several replicas that merge, from a seed.
import { deflateRawSync } from 'node:zlib'
import { random } from './random.mjs'

// Changes of the given rounds (see the end), each once, as a map from hash to
// chunk. A is the library.
export function generate(A, seed, rounds) {
  const r = random(seed)
  const keys = ['gate', 'leaf', 'é', '門', '🚪', '', 'a b', 'part/1', '\u0000', 'x'.repeat(40), 'Ω', 'ram']
  const words = ['', 'wipe', 'lens', 'Luft', 'é', '門', '🚪🐄', 'left\nright', '"q"', 'z'.repeat(30)]

  function scalar() {
    switch (r.int(18)) {
      case 0: return null
      case 1: return r.chance(0.5)
      case 2: return r.int(200) - 100
      case 3: return r.pick([0, 1, -1, 63, 64, -64, -65, 127, 128, 2 ** 31, -(2 ** 31), Number.MAX_SAFE_INTEGER, Number.MIN_SAFE_INTEGER])
      case 4: return new A.Uint(r.pick([0, 1, 127, 128, 16383, 16384, 2 ** 32, Number.MAX_SAFE_INTEGER]))
      case 5: return new A.Int(r.pick([0, -1, 5, 2 ** 40]))
      case 6: return r.pick([0.5, -0.1, 5e-324, NaN, Infinity, -Infinity, 1e-7])
      case 7: return new A.Float64(r.pick([0, -0, 1, 2.5, -2.75]))
      case 8: return new A.Counter(r.int(100) - 50)
      case 9: return new Date(r.pick([0, -1, 1772344800000, 253402300799999]))
      case 10: return new Uint8Array(Array.from({ length: r.int(20) }, () => r.int(256)))
      default: return new A.ImmutableString(r.pick(words) + (r.chance(0.5) ? r.int(1000) : ''))
    }
  }

  function container() {
    switch (r.int(4)) {
      case 0: return {}
      case 1: return []
      case 2: return r.pick(words)
      default: return Object.fromEntries(Array.from({ length: r.int(4) }, (_, i) => ['k' + i, scalar()]))
    }
  }

  // Every map, list and text in the document, with the path to it.
  function places(value, path = []) {
    const out = [{ value, path }]
    for (const k of Object.keys(value)) {
      const v = value[k]
      if (typeof v === 'string') out.push({ value: v, path: [...path, k] })
      else if (Array.isArray(v)) out.push(...places(v, [...path, k]))
      else if (v && typeof v === 'object' && v.constructor === Object) out.push(...places(v, [...path, k]))
    }
    return out
  }

  function edit(x) {
    const at = r.pick(places(x).filter(p => p.path.length < 4))
    let target = x
    for (const k of at.path.slice(0, -1)) target = target[k]
    const here = at.path.length ? target[at.path.at(-1)] : x
    if (typeof here === 'string') {
      const n = here.length ? r.int(here.length) : 0
      const whole = [...at.path]
      if (r.chance(0.2) && here.length > 2) A.mark(x, whole, { start: 0, end: 2, expand: r.pick(['both', 'none', 'before', 'after']) }, r.pick(['bold', 'link']), r.pick([true, 'url', 3]))
      else if (r.chance(0.1) && here.length > 2) A.unmark(x, whole, { start: 0, end: 2, expand: 'none' }, 'bold')
      else A.splice(x, whole, n, r.chance(0.3) ? Math.min(2, here.length - n) : 0, r.pick(words))
    } else if (Array.isArray(here)) {
      if (here.length && r.chance(0.3)) here.splice(r.int(here.length), 1)
      else if (here.length && r.chance(0.3)) here[r.int(here.length)] = r.chance(0.8) ? scalar() : container()
      else here.splice(r.int(here.length + 1), 0, ...Array.from({ length: 1 + r.int(3) }, scalar))
    } else {
      const k = r.pick(keys)
      if (here[k] instanceof A.Counter && r.chance(0.7)) here[k].increment(r.int(9) - 4)
      else if (k in here && r.chance(0.25)) delete here[k]
      else here[k] = r.chance(0.75) ? scalar() : container()
    }
  }

  const seen = new Map()
  const actors = ['00', '0102', 'ff', 'aabbccdd', '00112233445566778899aabbccddeeff', '80000000']
  let time = 1772344800
  function run(rounds, replicas, edits) {
    const group = actors.slice(0).sort(() => r.next() - 0.5).slice(0, replicas)
    let docs = group.map(actor => A.init({ actor }))
    for (let i = 0; i < rounds; i++) {
      const d = r.int(replicas)
      const options = { time: r.chance(0.2) ? r.pick([0, -1, -62135596800, 1 << 30]) : time++ }
      if (r.chance(0.2)) options.message = r.pick(['evening round', 'é門🚪'])
      if (r.chance(0.03)) docs[d] = A.emptyChange(docs[d], options)
      else
        docs[d] = A.change(docs[d], options, x => {
          for (let n = 1 + r.int(edits); n > 0; n--) {
            try { edit(x) } catch (e) { if (!/key|empty|mark|bounds|range/i.test(String(e))) throw e }
          }
        })
      const from = r.int(replicas)
      if (from !== d && r.chance(0.5)) docs[d] = A.merge(docs[d], docs[from])
    }
    for (const doc of docs) for (const c of A.getAllChanges(doc)) seen.set(A.decodeChange(c).hash, c)
  }

  for (const [changes, replicas, edits] of rounds) run(changes, replicas, edits)
  return { seen, time }
}

// Larger changes, which travel deflated: a text typed at once, many entries of
// a plan, a long value, and a list deleted in one go.
export function larger(A, time) {
  let big = A.init({ actor: 'b160' })
  big = A.change(big, { time }, x => { x.note = 'The left leaf strikes the rump. '.repeat(9) })
  big = A.change(big, { time }, x => { x.checks = {}; for (let i = 0; i < 60; i++) x.checks['c' + i] = new A.ImmutableString('check number ' + i) })
  big = A.change(big, { time }, x => { x.zone = new Uint8Array(900).map((_, i) => i % 7) })
  big = A.change(big, { time }, x => { x.l = Array.from({ length: 150 }, (_, i) => i) })
  big = A.change(big, { time }, x => { x.l.splice(20, 100) })
  return A.getAllChanges(big)
}

// The library's own getters give plain chunks; a larger change is carried here
// in the deflated form as well, which the library must read as the same change.
export function deflated(c) {
  let at = 9, length = 0, shift = 0
  do { length += (c[at] & 0x7f) * 2 ** shift; shift += 7 } while (c[at++] & 0x80)
  const body = deflateRawSync(c.subarray(at))
  const size = []
  for (let n = body.length; ; n >>>= 7) { if (n < 128) { size.push(n); break } size.push((n & 0x7f) | 0x80) }
  return Buffer.concat([c.subarray(0, 8), Buffer.from([2, ...size]), body])
}
