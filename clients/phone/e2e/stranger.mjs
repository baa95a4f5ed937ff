// A client that speaks in bytes of its own making, with a joined device's ticket.
import { createHash, randomBytes } from "node:crypto"
import { encode, decode } from "cbor-x"
import * as A from "@automerge/automerge"
import WebSocket from "ws"
import { until } from "./farm.mjs"
import { canonical, newEntryId } from "./script.mjs"

const bytes = (...parts) => Buffer.concat(parts.map((p) => (typeof p === "number" ? uleb(p) : Buffer.from(p))))

export function uleb(n) {
  const out = []
  do {
    out.push((n % 128) + (n >= 128 ? 128 : 0))
    n = Math.floor(n / 128)
  } while (n > 0)
  return Buffer.from(out)
}

/** A sync payload, written by hand so that each part can be wrong. */
export const payload = ({ first = 0x42, heads = [], have = [], changes = [] }) =>
  bytes([first], heads.length, ...heads.map((h) => Buffer.from(h, "hex")), 0, have.length, ...have.flatMap((bloom) => [0, bloom.length, bloom]),
    changes.length, ...changes.flatMap((c) => [c.length, c]))

/** A chunk with a checksum that is right for its content. */
export function resealed(chunk) {
  const sum = createHash("sha256").update(chunk.subarray(8)).digest()
  return Buffer.concat([chunk.subarray(0, 4), sum.subarray(0, 4), chunk.subarray(8)])
}

export class Stranger {
  static async open(farm, person) {
    const stranger = new Stranger()
    stranger.ticket = await farm.ticket(person)
    stranger.month = `log/${new Date().toISOString().slice(0, 7)}`
    stranger.document = stranger.ticket.documents[stranger.month].replace("automerge:", "")
    stranger.name = "stranger-" + randomBytes(4).toString("hex")
    await stranger.connect()
    return stranger
  }

  async connect() {
    const socket = new WebSocket(this.ticket.socket)
    this.socket = socket
    this.heard = []
    this.closed = undefined
    socket.on("message", (data) => this.socket === socket && this.heard.push(decode(data)))
    socket.on("error", () => undefined)
    socket.on("close", (code, reason) => {
      if (this.socket === socket) this.closed = { code, reason: String(reason) }
    })
    await new Promise((resolve, reject) => socket.once("open", resolve).once("error", reject))
    socket.send(encode({ type: "join", senderId: this.name, peerMetadata: { isEphemeral: true, gatewright: 1 }, supportedProtocolVersions: ["1"] }))
    const answer = () => this.closed ?? this.heard.find((m) => m.type === "peer")
    const peer = await until("the server's answer to a join", answer)
    if (peer === this.closed) throw new Error(`closed with ${peer.code}: ${peer.reason}`)
    this.server = peer.senderId
  }

  sendRaw(frame) {
    this.socket.send(frame)
  }

  sendSync(data) {
    this.sendRaw(encode({ type: "sync", senderId: this.name, targetId: this.server, documentId: this.document, data }))
  }

  /** A change on the root of the log; parts can be replaced by wrong ones. */
  change(parts = {}, op = {}) {
    const actor = randomBytes(16).toString("hex")
    const given = { actor, seq: 1, startOp: 1, time: 0, message: null, deps: [], ...parts }
    const of = typeof op === "function" ? op(actor, given.startOp) : op
    const id = newEntryId()
    given.ops = [{ action: "set", obj: "_root", key: id, pred: [], ...(of.action === undefined && { value: this.entry(id) }), ...of }]
    const chunk = A.encodeChange(given)
    return { chunk, hash: A.decodeChange(chunk).hash }
  }

  entry(id, fields = {}) {
    return canonical({ v: 1, id, at: Date.now(), by: this.ticket.person, dev: this.ticket.device, kind: "note", gate: "e", text: "from a stranger", ...fields })
  }

  sendChange({ chunk, hash }) {
    this.sendSync(payload({ heads: [hash], changes: [chunk] }))
  }

  /** How the server said no: by a frame about the change, or by ending the connection with a reason. */
  refusal() {
    return until("a refusal", () => {
      for (const m of this.heard) {
        if (m.type === "refused" && m.refused.length > 0) return { code: m.refused[0].code, reason: m.refused[0].reason, held: m.refused[0].held, row: m.refused[0] }
        if (m.type === "error" && this.closed !== undefined) return { code: this.closed.code, reason: m.message }
      }
      return undefined
    }, 10_000)
  }

  async close() {
    this.socket.terminate()
  }
}
