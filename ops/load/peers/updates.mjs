// Makes Yjs updates of entries: reads JSON lines {client, id, raw}, writes for each the update of one map.set in
// base64, one a line. A client is one author, whose updates follow one another.
import { createInterface } from 'node:readline'
import * as Y from 'yjs'

const writers = new Map()
const out = []
for await (const line of createInterface({ input: process.stdin })) {
  const { client, id, raw } = JSON.parse(line)
  let w = writers.get(client)
  if (!w) {
    const doc = new Y.Doc()
    doc.clientID = client
    w = { map: doc.getMap('log'), update: null }
    doc.on('update', (u) => { w.update = u })
    writers.set(client, w)
  }
  w.map.set(id, raw)
  out.push(Buffer.from(w.update).toString('base64'))
}
process.stdout.write(out.join('\n') + '\n')
