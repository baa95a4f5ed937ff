// Reads one document a line, {changes: [base64]}, and answers with what the
// JavaScript library makes of it after applying, saving and loading it again.
import * as A from '@automerge/automerge'
import { createInterface } from 'node:readline'
import { json } from './json.mjs'

for await (const line of createInterface({ input: process.stdin })) {
  const chunks = JSON.parse(line).changes.map(c => Buffer.from(c, 'base64'))
  const [applied] = A.applyChanges(A.init(), chunks)
  const loaded = A.loadIncremental(A.init(), Buffer.concat(chunks))
  const doc = A.load(A.save(applied))
  console.log(JSON.stringify({ heads: A.getHeads(doc), loaded: A.getHeads(loaded), missing: A.getMissingDeps(applied, []), doc: json(doc) }))
}
