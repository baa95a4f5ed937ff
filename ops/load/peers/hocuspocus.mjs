// Hocuspocus with its SQLite extension and its own settings: a document is stored whole, two seconds after the last
// change, ten at the latest. Usage: node hocuspocus.mjs FOLDER
import { Server } from '@hocuspocus/server'
import { SQLite } from '@hocuspocus/extension-sqlite'
import { join } from 'node:path'
import { answer } from './serving.mjs'

const server = new Server({
  quiet: true,
  port: 0,
  address: '127.0.0.1',
  stopOnSignals: false,
  timeout: 600_000, // idle phones stay
  extensions: [new SQLite({ database: join(process.argv[2], 'hocuspocus.sqlite') })],
  async onRequest({ request, response }) {
    answer(request, response)
    throw null // answered: nothing more to do
  },
})
await server.listen()
console.log(`ready http://127.0.0.1:${server.address.port}`)
process.on('SIGTERM', () => process.exit(0))
