// A program of somebody's own: unmodified automerge-repo with a ticket from
// the console, on a line that can be cut.
import { randomBytes } from "node:crypto"
import { connect, createServer } from "node:net"
import * as Automerge from "@automerge/automerge"
import { ImmutableString, interpretAsDocumentId, Repo } from "@automerge/automerge-repo"
import { WebSocketClientAdapter } from "@automerge/automerge-repo-network-websocket"
import { v5 as uuid5 } from "uuid"
import { until } from "./farm.mjs"

const crockford = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
let last = 0

/** The id of an entry that is recorded now; each greater than the one before. */
export function newEntryId() {
  last = Math.max(last + 1, Date.now())
  return entryIdOf(last)
}

/** The id of an entry that was recorded at an instant. */
export function entryIdOf(ms) {
  let id = ""
  for (let t = ms, i = 0; i < 10; i++, t = Math.floor(t / 32)) id = crockford[t % 32] + id
  for (const byte of randomBytes(16)) id += crockford[byte % 32]
  return id
}

/** RFC 8785 for a flat object of strings and whole numbers. */
export const canonical = (fields) => JSON.stringify(Object.fromEntries(Object.entries(fields).toSorted(([a], [b]) => (a < b ? -1 : 1))))

/** A TCP line to a server; cut, it refuses and ends connections. */
export class Line {
  #open = new Set()
  #server

  constructor(to) {
    this.to = new URL(to)
  }

  async mend() {
    this.#server = createServer((near) => {
      const far = connect(Number(this.to.port), this.to.hostname)
      for (const [one, other] of [[near, far], [far, near]]) {
        one.on("error", () => other.destroy())
        one.on("close", () => this.#open.delete(one))
        one.pipe(other)
        this.#open.add(one)
      }
    })
    await new Promise((resolve, reject) => this.#server.once("error", reject).listen(this.port ?? 0, "127.0.0.1", resolve))
    this.port = this.#server.address().port
  }

  async cut() {
    const closed = new Promise((resolve) => this.#server.close(resolve))
    for (const socket of this.#open) socket.end()
    await closed
  }

  /** For the end of a test: nobody is waited for. */
  tear() {
    this.#server.close()
    for (const socket of this.#open) socket.destroy()
  }
}

export class Script {
  static async open(farm, person) {
    const script = new Script()
    script.ticket = await farm.ticket(person)
    const address = new URL(script.ticket.socket)
    script.line = new Line(farm.origin)
    await script.line.mend()
    address.host = `127.0.0.1:${script.line.port}`
    script.adapter = new WebSocketClientAdapter(address.href, 300)
    script.repo = new Repo({ network: [script.adapter] })
    script.month = `log/${new Date().toISOString().slice(0, 7)}`
    return script
  }

  plan() {
    return this.repo.find(this.ticket.documents.plan)
  }

  /** This month's log; on the first of a month it begins with the first entry. */
  async log() {
    const url = this.ticket.documents[this.month]
    this.handle ??= await this.repo.find(url, { allowableStates: ["ready", "unavailable"] })
    return this.handle
  }

  /** Appends an entry by the ticket's person; gives its text. */
  async append(fields) {
    return this.#write(await this.log(), newEntryId(), Date.now(), fields)
  }

  /** Appends an entry that was recorded at an instant, in that instant's month. */
  async appendLate(at, fields) {
    const name = `log/${new Date(at).toISOString().slice(0, 7)}`
    const { site } = (await this.plan()).doc()
    const id = interpretAsDocumentId(uuid5(name, String(site.id.val ?? site.id), new Uint8Array(16)))
    const handle = await this.repo.find(id, { allowableStates: ["ready", "unavailable"] })
    return this.#write(handle, entryIdOf(at), at, fields)
  }

  #write(handle, id, at, fields) {
    const raw = canonical({ v: 1, id, at, by: this.ticket.person, dev: this.ticket.device, ...fields })
    const write = (doc) => {
      doc[id] = new ImmutableString(raw)
    }
    if (handle.isReady()) handle.change(write)
    else this.repo.import(Automerge.save(Automerge.change(Automerge.init(), write)), { docId: handle.documentId })
    return raw
  }

  async texts() {
    const handle = await this.log()
    return handle.isReady() ? Object.values(handle.doc()).map((v) => v.val ?? String(v)) : []
  }

  async heads() {
    return Automerge.getHeads((await this.log()).doc()).toSorted()
  }

  async has(raw) {
    await until("the entry in the program's copy", async () => (await this.texts()).includes(raw))
  }

  async close() {
    await this.repo.shutdown() // ends the adapter's connection too
    this.line.tear()
  }
}
