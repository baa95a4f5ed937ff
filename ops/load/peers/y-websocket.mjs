// The y-websocket server as it comes: documents in memory, nothing on disk. Usage: node y-websocket.mjs
import { setupWSConnection } from '@y/websocket-server/utils'
import { WebSocketServer } from 'ws'
import { serve } from './serving.mjs'

const sockets = new WebSocketServer({ noServer: true })
sockets.on('connection', setupWSConnection)
serve().on('upgrade', (request, socket, head) => {
  sockets.handleUpgrade(request, socket, head, (ws) => sockets.emit('connection', ws, request))
})
process.on('SIGTERM', () => process.exit(0))
