// Varied changes with what the JavaScript library reads in them.
import * as A from '@automerge/automerge'
import { writeFileSync } from 'node:fs'
import { deflated, generate, larger } from './generate.mjs'
import { plain } from './random.mjs'

const rounds = [...Array.from({ length: 14 }, (_, i) => [14, 1 + (i % 4), 1 + (i % 6)]), [30, 4, 1]]
const { seen, time } = generate(A, 20260301, rounds)
for (const c of larger(A, time)) seen.set(A.decodeChange(c).hash, c)

const rows = []
let squeezed = 0
for (const [hash, c] of seen) {
  const row = { chunk: Buffer.from(c).toString('base64') }
  if (c.length > 256) {
    const d = deflated(c)
    if (A.decodeChange(d).hash !== hash) throw new Error('deflated form is another change')
    row.deflated = d.toString('base64')
    squeezed++
  }
  row.decoded = A.decodeChange(c)
  rows.push(JSON.stringify(row, plain))
}
writeFileSync(new URL('../changes.jsonl', import.meta.url), rows.join('\n') + '\n')
console.log(rows.length, 'changes,', squeezed, 'also deflated')
