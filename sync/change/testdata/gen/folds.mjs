// Concurrent edits to maps of maps of scalars on two to four replicas, with the
// merged document and its conflicts as the JavaScript library sees them.
import * as A from '@automerge/automerge'
import { writeFileSync } from 'node:fs'
import { isMap, json } from './json.mjs'
import { random } from './random.mjs'

const r = random(7)
const items = ['gates', 'parts', 'é', '😀', 'ﬁ']
const fields = ['name', 'low', 'high', 'on', '€', '😀']

function scalar() {
  switch (r.int(14)) {
    case 0: return null
    case 1: return r.chance(0.5)
    case 2: case 3: return r.int(3)
    case 4: return new A.Uint(r.int(3))
    case 5: return r.pick([0.5, -0.25, 1e-7, NaN])
    case 6: return new A.Float64(r.pick([0, 1, 2, -0, 2.5]))
    case 7: return new A.Counter(r.int(3))
    case 8: return new Date(1772344800000 + r.int(3))
    case 9: return new Uint8Array([1, 2, r.int(3)])
    default: return new A.ImmutableString(r.pick(['a', 'b', 'é\n"', '\u2028']))
  }
}

// Typed numbers keep their type only when assigned one by one.
function fill(x, k) {
  x[k] = {}
  for (const f of fields) if (r.chance(0.4)) x[k][f] = scalar()
}

function edit(x, nested) {
  const at = nested && r.chance(0.75) ? x[r.pick(items)] : x
  if (!isMap(at)) {
    const k = r.pick(items)
    if (nested && r.chance(0.6)) fill(x, k)
    else x[k] = scalar()
    return
  }
  const k = at === x ? r.pick(items) : r.pick(fields)
  if (at[k] instanceof A.Counter && r.chance(0.8)) at[k].increment(r.int(5) - 2)
  else if (k in at && r.chance(0.2)) delete at[k]
  else if (at !== x && r.chance(0.1)) fill(at, k)
  else at[k] = scalar()
}

function conflicts(v, path = []) {
  const out = []
  for (const k of Object.keys(v)) {
    const all = A.getConflicts(v, k)
    if (all && Object.keys(all).length > 1)
      out.push({ path: [...path, k], values: Object.fromEntries(Object.entries(all).map(([id, w]) => [id, json(w)])) })
    if (isMap(v[k])) out.push(...conflicts(v[k], [...path, k]))
  }
  return out
}

const rows = []
for (let i = 0; i < 60; i++) {
  const n = 2 + (i % 3)
  const nested = i % 5 !== 0
  const actors = ['aa', '0b0b', 'ff', '7f00'].sort(() => r.next() - 0.5).slice(0, n)
  let docs = actors.map(actor => A.init({ actor }))
  if (i % 2) {
    docs[0] = A.change(docs[0], { time: 0 }, x => { for (const k of items) nested ? fill(x, k) : (x[k] = scalar()) })
    docs = docs.map((d, j) => (j ? A.merge(d, docs[0]) : d))
  }
  for (let step = 0; step < 14; step++) {
    const d = r.int(n), from = r.int(n)
    docs[d] = A.change(docs[d], { time: 1000 + step }, x => { for (let e = 1 + r.int(3); e > 0; e--) edit(x, nested) })
    if (from !== d && r.chance(0.25)) docs[d] = A.merge(docs[d], docs[from])
  }
  let all = A.init({ actor: 'ee' })
  for (const d of docs) all = A.merge(all, d)
  rows.push(JSON.stringify({
    changes: A.getAllChanges(all).map(c => Buffer.from(c).toString('base64')),
    heads: A.getHeads(all),
    doc: json(all),
    conflicts: conflicts(all),
  }))
}
writeFileSync(new URL('../../../fold/testdata/folds.jsonl', import.meta.url), rows.join('\n') + '\n')
console.log(rows.length, 'documents,', rows.join('\n').split('"path"').length - 1, 'conflicts,', rows.join('\n').length, 'bytes')
