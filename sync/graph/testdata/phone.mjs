// One document in JavaScript's Automerge, driven line by line: a JSON command
// in, a JSON answer out. Run with the Automerge library in reach of the
// working directory.
import * as A from '@automerge/automerge'
import { createInterface } from 'node:readline'

let doc, state
const hex = b => Buffer.from(b).toString('hex')
const commands = {
  new: ({ actor }) => { doc = A.init({ actor }); state = A.initSyncState() },
  set: ({ key }) => { doc = A.change(doc, { time: 0 }, d => { d[key] = new A.ImmutableString('from the phone') }) },
  generate: () => {
    let payload
    ;[state, payload] = A.generateSyncMessage(doc, state)
    return payload ? hex(payload) : ''
  },
  receive: ({ payload }) => { [doc, state] = A.receiveSyncMessage(doc, state, Buffer.from(payload, 'hex')) },
  reconnect: () => { state = A.decodeSyncState(A.encodeSyncState(state)) },
  heads: () => A.getHeads(doc).sort(),
  changes: () => A.getAllChanges(doc).map(hex),
}
for await (const line of createInterface({ input: process.stdin })) {
  const command = JSON.parse(line)
  process.stdout.write(JSON.stringify(commands[command.do](command) ?? null) + '\n')
}
