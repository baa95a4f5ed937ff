// A small stand-in for the server, for looking at the screens and for tests of
// the phone's way to it: one invented site in memory, with a plan, some history
// and the two frames of our own. It accepts what it is sent, except entries
// whose text holds "refuse me", and holds those with "hold me" and those about an
// entry that it does not have; what it holds it forgets. A test may judge in its
// place (state.judge) or have it lose a document. It keeps nothing and is never
// part of a release.
//
//   node dev/server.mjs [port] [folder to serve]
import { randomBytes, verify, createPublicKey } from "node:crypto"
import { createReadStream, existsSync, readFileSync, statSync } from "node:fs"
import { createServer } from "node:http"
import { extname, join, normalize } from "node:path"
import * as A from "@automerge/automerge"
import { cbor, interpretAsDocumentId } from "@automerge/automerge-repo"
import { v5 as uuid5 } from "uuid"
import { WebSocketServer } from "ws"
import { demoEntries, demoPlan, entryAt, people, site } from "./site.mjs"

const types = { ".html": "text/html; charset=utf-8", ".js": "text/javascript", ".css": "text/css", ".wasm": "application/wasm", ".svg": "image/svg+xml", ".png": "image/png", ".woff2": "font/woff2", ".woff": "font/woff", ".webmanifest": "application/manifest+json" }
const policy = "default-src 'self'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self' ws: wss:; object-src 'none'; base-uri 'none'; frame-ancestors 'none'"

// Said without the list of capabilities that the library puts behind it: with
// that list peers send whole documents, and the real server takes only changes.
const plain = (data) => {
  const { heads, need, have, changes } = A.decodeSyncMessage(data)
  return A.encodeSyncMessage({ heads, need, have, changes })
}
const monthOf = (ms) => `log/${new Date(ms).toISOString().slice(0, 7)}`
/** The entry that an entry is about. */
const target = (raw) => {
  try {
    const { of, replaces } = JSON.parse(raw)
    return of ?? replaces
  } catch {
    return undefined
  }
}
const documentId = (name) => interpretAsDocumentId(uuid5(name, site.id, new Uint8Array(16)))

export async function startServer({ port = 0, dist = new URL("../dist/", import.meta.url).pathname, now = Date.now(), clock = () => Date.now(), history = true } = {}) {
  const documents = new Map() // name -> doc
  const names = new Map() // id -> name
  const bad = new Map() // name -> what was refused, by hash
  const owners = new Map() // entry id -> change hash
  const put = (name, doc) => {
    documents.set(name, doc)
    names.set(documentId(name), name)
  }
  put("plan", A.from(demoPlan(now)))
  for (const entry of history ? demoEntries(now) : []) {
    const name = monthOf(entry.ms)
    put(name, A.change(documents.get(name) ?? A.init(), (d) => { d[entry.id] = new A.ImmutableString(entry.raw) }))
    owners.set(entry.id, "")
  }

  const devices = new Map() // id -> {key, people}
  const challenges = new Map()
  const tokens = new Map()
  const tickets = new Map()
  const sockets = new Set()
  const state = { ended: false, judge: undefined, invitations: new Map([["0123456789ABCDEFGHJK", { role: "crew" }], ["M123456789ABCDEFGHJK", { role: "manager", name: "Maeve Tully" }]]) }

  const json = (response, status, body) => {
    response.writeHead(status, { "content-type": status < 400 ? "application/json" : "application/problem+json" })
    response.end(JSON.stringify(body))
  }
  const problem = (response, status, code, detail) => json(response, status, { type: "about:blank", title: code, status, code, detail })

  async function api(request, response, path) {
    const chunks = []
    for await (const chunk of request) chunks.push(chunk)
    const body = chunks.length === 0 ? {} : JSON.parse(Buffer.concat(chunks).toString())
    const bearer = tokens.get((request.headers.authorization ?? "").replace("Bearer ", ""))
    if (path === "/api/v1/invitations/look" || path === "/api/v1/join") {
      const invitation = state.invitations.get(body.code)
      if (invitation === undefined) return problem(response, 404, "invitation", "This invitation is not known or is used up.")
      if (path.endsWith("look")) return json(response, 200, { site: { id: site.id, slug: site.slug, name: site.name }, ...invitation, expires: clock() + 3.6e6 })
      let device = bearer
      if (device === undefined) {
        device = "d" + randomBytes(9).toString("hex").replace(/[ilou]/g, "0").slice(0, 9)
        devices.set(device, { key: body.device.public_key, people: [] })
      }
      const person = { id: "p" + randomBytes(9).toString("hex").slice(0, 9), name: body.name, role: invitation.role }
      people.push(person)
      devices.get(device).people.push(person)
      return json(response, 200, { site, device, person: person.id, role: person.role, name: person.name })
    }
    if (path === "/api/v1/auth/challenge") {
      const challenge = randomBytes(16).toString("base64url")
      challenges.set(challenge, body.device)
      return json(response, 200, { challenge, expires: clock() + 60_000 })
    }
    if (path === "/api/v1/auth/token") {
      const device = devices.get(body.device)
      const known = challenges.get(body.challenge) === body.device && device !== undefined
      const key = known && createPublicKey({ key: Buffer.concat([Buffer.from("302a300506032b6570032100", "hex"), Buffer.from(device.key, "base64url")]), format: "der", type: "spki" })
      if (!known || !verify(null, Buffer.from(`gatewright challenge v1\n${body.device}\n${body.challenge}`), key, Buffer.from(body.signature, "base64url"))) return problem(response, 401, "signature", "The signature does not fit.")
      const access_token = randomBytes(16).toString("base64url")
      tokens.set(access_token, body.device)
      return json(response, 200, { access_token, token_type: "Bearer", expires_in: 600, server_time: clock(), ...(state.ended && { drain: true }) })
    }
    if (bearer === undefined) return problem(response, 401, "token", "A token is needed.")
    if (path === "/api/v1/me") return json(response, 200, { device: bearer, site, people: devices.get(bearer).people })
    if (path.endsWith("/people")) return json(response, 200, { people })
    if (path.endsWith("/drain")) return json(response, 200, { kept: body.entries.length })
    if (path.endsWith("/tickets")) {
      const ticket = randomBytes(16).toString("base64url")
      tickets.set(ticket, bearer)
      return json(response, 200, { ticket, socket: `/sync/v1?ticket=${ticket}`, expires: clock() + 30_000 })
    }
    return problem(response, 404, "path", "There is nothing here.")
  }

  const server = createServer((request, response) => {
    const path = new URL(request.url, "http://yard").pathname
    if (path.startsWith("/api/")) {
      api(request, response, path).catch((e) => problem(response, 500, "internal", String(e)))
      return
    }
    let file = normalize(join(dist, path))
    if (!file.startsWith(normalize(dist)) || !existsSync(file) || statSync(file).isDirectory()) file = join(dist, "index.html")
    const headers = { "content-type": types[extname(file)] ?? "application/octet-stream", "content-security-policy": policy, "cache-control": "no-cache" }
    if (existsSync(file + ".br") && /\bbr\b/.test(request.headers["accept-encoding"] ?? "")) {
      headers["content-encoding"] = "br"
      file += ".br"
    }
    response.writeHead(200, headers)
    createReadStream(file).pipe(response)
  })

  const wss = new WebSocketServer({ noServer: true })
  server.on("upgrade", (request, socket, head) => {
    const ticket = new URL(request.url, "http://yard").searchParams.get("ticket")
    wss.handleUpgrade(request, socket, head, (ws) => {
      const device = tickets.get(ticket)
      tickets.delete(ticket)
      if (device === undefined || state.ended) return ws.close(state.ended ? 4403 : 4401, "ticket")
      serve(ws)
    })
  })

  function serve(ws) {
    const peer = { ws, id: undefined, states: new Map(), told: new Set() }
    const send = (message) => ws.send(cbor.encode({ senderId: "yard", targetId: peer.id, ...message }))
    peer.list = () => send({ type: "documents", documents: [...documents].map(([name, doc]) => ({ name, id: documentId(name), heads: A.getHeads(doc) })) })
    peer.sync = (name) => {
      const [next, data] = A.generateSyncMessage(documents.get(name), peer.states.get(name))
      peer.states.set(name, next)
      if (data !== null) send({ type: "sync", documentId: documentId(name), data: plain(data) })
    }
    sockets.add(peer)
    ws.on("close", () => sockets.delete(peer))
    ws.on("message", (bytes) => {
      const message = cbor.decode(new Uint8Array(bytes))
      if (message.type === "join") {
        peer.id = message.senderId
        send({ type: "peer", peerMetadata: { storageId: "yard-storage", isEphemeral: false }, selectedProtocolVersion: "1" })
        peer.list()
        return
      }
      if (message.type !== "sync" && message.type !== "request") return
      take(peer, send, message)
    })
  }

  function take(peer, send, message) {
    const data = A.decodeSyncMessage(message.data)
    const known = [...Array(6)].map((_, back) => monthOf(Date.UTC(new Date(clock()).getUTCFullYear(), new Date(clock()).getUTCMonth() - back, 1)))
    const name = names.get(message.documentId) ?? ["plan", ...known].find((n) => documentId(n) === message.documentId)
    if (name === undefined || (!documents.has(name) && data.heads.length === 0)) {
      send({ type: "doc-unavailable", documentId: message.documentId })
      return
    }
    const refusedBefore = bad.get(name) ?? new Map()
    if (data.heads.some((h) => refusedBefore.has(h))) {
      // Every connection is told once, whichever of them brought it.
      const open = [...data.heads]
      const rows = []
      for (let h = open.pop(); h !== undefined; h = open.pop()) {
        const row = refusedBefore.get(h)
        if (row === undefined || peer.told.has(h)) continue
        peer.told.add(h)
        open.push(...row.deps)
        rows.push(row.said)
      }
      if (rows.length > 0) send({ type: "refused", documentId: message.documentId, refused: rows })
      return
    }
    const [refused, admitted] = [[], []]
    for (const change of data.changes) {
      const decoded = A.decodeChange(change)
      const entries = decoded.ops.map((op) => op.key).filter(Boolean)
      let code = state.judge?.({ actor: decoded.actor, text: decoded.ops.map((op) => String(op.value)).join("\n") })
      if (code !== undefined) {
        // Said.
      } else if (decoded.ops.some((op) => String(op.value).includes("refuse me"))) code = "rights"
      else if (decoded.ops.some((op) => String(op.value).includes("hold me"))) code = "unknown-entry"
      else if (decoded.ops.some((op) => target(String(op.value)) !== undefined && !owners.has(target(String(op.value))))) code = "unknown-entry"
      else if (decoded.deps.some((d) => refusedBefore.has(d) || refused.some((r) => r.said.hash === d))) code = "depends"
      else if (entries.some((e) => owners.has(e) && owners.get(e) !== decoded.hash)) code = "taken"
      if (code === undefined) {
        for (const e of entries) owners.set(e, decoded.hash)
        admitted.push(change)
      } else refused.push({ deps: decoded.deps, said: { hash: decoded.hash, code, reason: code === "rights" ? "text: this may not be written here" : `the change is refused (${code})`, entries, held: code === "unknown-entry" } })
    }
    if (refused.length > 0) {
      bad.set(name, new Map([...refusedBefore, ...refused.map((r) => [r.said.hash, r])]))
      for (const r of refused) peer.told.add(r.said.hash)
      if (admitted.length > 0) put(name, A.applyChanges(documents.get(name) ?? A.init(), admitted)[0])
      send({ type: "refused", documentId: message.documentId, refused: refused.map((r) => r.said) })
      return
    }
    const isNew = !documents.has(name)
    const before = documents.get(name) ?? A.init()
    const [doc, next] = A.receiveSyncMessage(before, peer.states.get(name) ?? A.initSyncState(), plain(message.data))
    put(name, doc)
    peer.states.set(name, next)
    peer.sync(name)
    for (const other of sockets) {
      if (other !== peer && other.states.has(name)) other.sync(name)
      if (isNew && other !== peer) other.list()
    }
  }

  function arrive(entry) {
    owners.set(entry.id, "")
    const name = monthOf(entry.ms)
    const isNew = !documents.has(name)
    put(name, A.change(documents.has(name) ? A.clone(documents.get(name)) : A.init(), (d) => { d[entry.id] = new A.ImmutableString(entry.raw) }))
    for (const peer of sockets) isNew ? peer.list() : peer.states.has(name) && peer.sync(name)
  }

  await new Promise((resolve) => server.listen(port, "127.0.0.1", resolve))
  return {
    port: server.address().port,
    state,
    address() {
      const ticket = randomBytes(16).toString("base64url")
      tickets.set(ticket, "d000000000")
      return `ws://127.0.0.1:${server.address().port}/sync/v1?ticket=${ticket}`
    },
    month: () => monthOf(clock()),
    entries: () => [...documents].filter(([n]) => n !== "plan").flatMap(([, doc]) => Object.values(A.toJS(doc)).map(String)),
    /** Another phone's entry arrives. */
    enter(fields, at = clock()) {
      const entry = entryAt(at, fields)
      arrive(entry)
      return entry.id
    },
    /** A document is gone, as after a restore from a backup that did not have it; all have to connect anew. */
    lose(name) {
      for (const key of documents.has(name) ? Object.keys(documents.get(name)) : []) owners.delete(key)
      documents.delete(name)
      names.delete(documentId(name))
      bad.delete(name)
      this.drop()
    },
    /** A manager accepts an entry in its own words: the server writes it. */
    accept: (raw) => arrive({ id: JSON.parse(raw).id, raw, ms: JSON.parse(raw).at }),
    drop() {
      for (const peer of sockets) peer.ws.terminate()
    },
    close() {
      for (const peer of sockets) peer.ws.terminate()
      server.closeAllConnections()
      return new Promise((resolve) => server.close(resolve))
    },
  }
}

if (process.argv[1] === new URL(import.meta.url).pathname) {
  const port = Number(process.argv[2] ?? 8080)
  const server = await startServer({ port, ...(process.argv[3] !== undefined && { dist: process.argv[3] }) })
  console.log(`http://127.0.0.1:${server.port}/join#0123456789ABCDEFGHJK`)
}
