// What the measured servers have in common: an HTTP server on a free loopback port, the line that says it is ready,
// and POST /debug/free, which collects garbage (node --expose-gc).
import { createServer } from 'node:http'

export function answer(request, response) {
  if (request.method === 'POST' && request.url === '/debug/free') {
    globalThis.gc()
    globalThis.gc()
    response.end()
    return
  }
  response.writeHead(404)
  response.end()
}

export function serve() {
  const server = createServer(answer)
  server.listen(0, '127.0.0.1', () => console.log(`ready http://127.0.0.1:${server.address().port}`))
  return server
}
