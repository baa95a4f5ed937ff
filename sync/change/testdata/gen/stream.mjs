// Changes for a comparison that is too large for a fixture.
//
//   node stream.mjs LIBRARY generate SEED COUNT   at least so many changes, one a line, each with what the library
//                                                 reads in it, every third also with a byte of its contents changed
//   node stream.mjs LIBRARY decode                what the library reads in chunks (base64, one a line) from stdin
//
// LIBRARY is the folder that holds node_modules.
import { createHash } from 'node:crypto'
import { createRequire } from 'node:module'
import { resolve } from 'node:path'
import { createInterface } from 'node:readline'
import { deflated, generate, larger } from './generate.mjs'
import { plain, random } from './random.mjs'

const [folder, mode, seed, count] = process.argv.slice(2)
const A = createRequire(resolve(folder, 'package.json'))('@automerge/automerge')

// What the library reads, or that it does not.
function read(chunk) {
  try {
    return { decoded: A.decodeChange(chunk) }
  } catch (e) {
    return { error: String(e).slice(0, 80) }
  }
}

const base64 = chunk => Buffer.from(chunk).toString('base64')

// The contents of a plain chunk under a new length and checksum.
function sealed(contents) {
  const size = []
  for (let n = contents.length; ; n >>>= 7) { if (n < 128) { size.push(n); break } size.push((n & 0x7f) | 0x80) }
  const rest = Buffer.concat([Buffer.from([1, ...size]), contents])
  return Buffer.concat([Buffer.from([0x85, 0x6f, 0x4a, 0x83]), createHash('sha256').update(rest).digest().subarray(0, 4), rest])
}

function mutant(chunk, r) {
  let at = 9
  while (chunk[at++] & 0x80);
  const contents = Buffer.from(chunk.subarray(at))
  const i = r.int(contents.length)
  switch (r.int(4)) {
    case 0: contents[i] ^= 1 << r.int(8); return sealed(contents)
    case 1: contents[i] = r.pick([0, 1, 0x7f, 0x80, 0xff]); return sealed(contents)
    case 2: return sealed(Buffer.concat([contents.subarray(0, i), contents.subarray(i + 1)]))
    default: return sealed(Buffer.concat([contents.subarray(0, i), Buffer.from([r.int(256)]), contents.subarray(i)]))
  }
}

// Wide rounds: a change upon those of many replicas at once, whose values all
// conflict, so that it names many actors, dependencies and predecessors.
function wide(r, replicas, time) {
  let base = A.change(A.init({ actor: '0a' }), { time }, x => { x.gates = {}; x.list = [1, 2, 3]; x.n = new A.Counter(1) })
  let all = base
  for (let i = 0; i < replicas; i++) {
    const actor = Array.from({ length: 1 + r.int(20) }, () => r.int(256).toString(16).padStart(2, '0')).join('') + i.toString(16).padStart(4, '0')
    let one = A.clone(base, { actor })
    one = A.change(one, { time: time + i, message: r.chance(0.3) ? '門 ' + i : undefined }, x => {
      x.gates.east = i - 7
      x['k' + r.int(5)] = new A.ImmutableString('é'.repeat(r.int(9)))
      x.list[1] = new Date(i)
      x.n.increment(-i)
    })
    all = A.merge(all, one)
  }
  all = A.change(all, { time: -5 }, x => { x.gates.east = null; x.n.increment(3); delete x.k0; x.list.splice(0, 2) })
  return A.getAllChanges(all)
}

// Values of great size and the numbers at the edges.
function heavy(r, time) {
  let d = A.init({ actor: 'c0' + r.int(256).toString(16).padStart(2, '0') })
  d = A.change(d, { time: -62135596800 }, x => { x.big = new A.ImmutableString('門é🚪x'.repeat(2000 + r.int(3000))); x.bytes = new Uint8Array(5000 + r.int(20000)).map((_, i) => (i * 31) % 251) })
  d = A.change(d, { time: 253402300799 }, x => { for (let i = 0; i < 53; i++) { x['p' + i] = 2 ** i; x['m' + i] = -(2 ** i); x['f' + i] = 2 ** -i * 1.1 } })
  d = A.change(d, { time }, x => { x.text = 'the left leaf '.repeat(50 + r.int(50)); x.l = Array.from({ length: 300 + r.int(300) }, (_, i) => (i % 5 ? i : null)) })
  d = A.change(d, { time }, x => { A.splice(x, ['text'], 10, 200); x.l.splice(7, 200, true, false, new Uint8Array([1])) })
  d = A.emptyChange(d, { time })
  return A.getAllChanges(d)
}

const say = row => process.stdout.write(JSON.stringify(row, plain) + '\n')

if (mode === 'decode') {
  for await (const line of createInterface({ input: process.stdin })) say(read(Buffer.from(line, 'base64')))
} else {
  const r = random(Number(seed))
  const seen = new Set()
  function emit(chunk) {
    const { decoded } = read(chunk)
    if (seen.has(decoded.hash)) return
    seen.add(decoded.hash)
    const row = { chunk: base64(chunk), decoded }
    if (chunk.length > 256 || r.chance(0.1)) {
      const d = deflated(chunk)
      if (A.decodeChange(d).hash !== decoded.hash) throw new Error('deflated form is another change')
      row.deflated = base64(d)
    }
    say(row)
    if (seen.size % 3 === 0) {
      const m = mutant(chunk, r)
      say({ mutant: base64(m), ...read(m) })
    }
  }
  for (let i = 0; seen.size < Number(count); i++) {
    const rounds = [[10 + r.int(15), 1 + r.int(5), 1 + r.int(6)], [12, 5, 1 + r.int(3)]]
    const made = generate(A, Number(seed) * 1_000_000 + i, rounds)
    for (const c of made.seen.values()) emit(c)
    if (i % 12 === 0) for (const c of wide(r, 2 + r.int(40), made.time)) emit(c)
    if (i % 60 === 0) for (const c of wide(r, 250, made.time)) emit(c)
    if (i % 12 === 6) for (const c of heavy(r, made.time)) emit(c)
    if (i % 12 === 9) for (const c of larger(A, made.time + i)) emit(c)
  }
}
