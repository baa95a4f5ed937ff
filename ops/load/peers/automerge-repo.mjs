// A sync server of automerge-repo with its file store, set up as its documentation does: it announces no document
// by itself. Usage: node automerge-repo.mjs FOLDER
import { Repo } from '@automerge/automerge-repo'
import { WebSocketServerAdapter } from '@automerge/automerge-repo-network-websocket'
import { NodeFSStorageAdapter } from '@automerge/automerge-repo-storage-nodefs'
import { WebSocketServer } from 'ws'
import { serve } from './serving.mjs'

const sockets = new WebSocketServer({ noServer: true })
// The adapter begins to listen once the store has given its id: a client that came earlier would not be heard.
const listening = new Promise((resolve) => sockets.on('newListener', (event) => event === 'connection' && resolve()))
new Repo({
  network: [new WebSocketServerAdapter(sockets)],
  storage: new NodeFSStorageAdapter(process.argv[2]),
  peerId: 'automerge-repo-server',
  sharePolicy: async () => false,
})
await listening
serve().on('upgrade', (request, socket, head) => {
  sockets.handleUpgrade(request, socket, head, (ws) => sockets.emit('connection', ws, request))
})
process.on('SIGTERM', () => process.exit(0))
