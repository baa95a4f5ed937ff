// A stock automerge-repo client: opens one document, then writes the entries of each line it reads, one change each,
// and says so. Usage: node stock.mjs SOCKET DOCUMENT; lines are JSON lists of [id, raw].
import { ImmutableString } from '@automerge/automerge'
import { Repo } from '@automerge/automerge-repo'
import { WebSocketClientAdapter } from '@automerge/automerge-repo-network-websocket'
import { createInterface } from 'node:readline'

const repo = new Repo({ network: [new WebSocketClientAdapter(process.argv[2])] })
const handle = await repo.find(process.argv[3])
await handle.whenReady()
console.log('ready ' + process.argv[3])
for await (const line of createInterface({ input: process.stdin })) {
  for (const [id, raw] of JSON.parse(line)) {
    handle.change((doc) => { doc[id] = new ImmutableString(raw) })
  }
}
process.exit(0)
