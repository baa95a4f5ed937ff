// Bytes that a library would swallow or die of, over a real socket: each is
// refused with a reason, and nobody else notices.
import assert from "node:assert/strict"
import { randomBytes } from "node:crypto"
import { deflateRawSync } from "node:zlib"
import { after, before, test } from "node:test"
import * as A from "@automerge/automerge"
import { encode } from "cbor-x"
import { closeAll, Farm, until } from "./farm.mjs"
import { newEntryId, Script } from "./script.mjs"
import { payload, resealed, Stranger, uleb } from "./stranger.mjs"

let farm
const open = []
before(async () => {
  farm = await Farm.open()
})
after(async () => {
  await closeAll(...open)
  await closeAll(farm)
})

/** An operation that came early enough, had it ever been made. */
const nowhere = "1@" + "bb".repeat(16)
const wrongSum = (chunk) => {
  const bad = Buffer.from(chunk)
  bad[4] ^= 0xff
  return bad
}
/** A whole document in one chunk, a byte of its columns changed and the checksum put right again. */
const brokenDocument = () => {
  const chunk = Buffer.from(A.save(A.change(A.init(), (d) => { d.a = "x".repeat(40) })))
  chunk[chunk.length - 6] ^= 0x15
  return resealed(chunk)
}
/** Sixty-four megabytes of nothing in sixty-four kilobytes. */
const bomb = (chunk) => {
  const stream = deflateRawSync(Buffer.alloc(64 << 20))
  return Buffer.concat([chunk.subarray(0, 8), Buffer.from([2]), uleb(stream.length), stream])
}
/** The change with its time, a single zero byte of Stranger's making, put beyond what JavaScript's numbers hold. */
const lateTime = (chunk) => {
  let at = 9
  while (chunk[at] & 0x80) at++
  const contents = Buffer.from(chunk.subarray(at + 1))
  let time = 1 + 32 * contents[0] // behind the dependencies …
  time += 1 + contents[time] // … the actor …
  for (let numbers = 2; numbers > 0; time++) if (!(contents[time] & 0x80)) numbers-- // … seq and startOp
  assert.equal(contents[time], 0)
  const late = Buffer.from([0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x10])
  const changed = Buffer.concat([contents.subarray(0, time), late, contents.subarray(time + 1)])
  return resealed(Buffer.concat([chunk.subarray(0, 8), Buffer.from([1]), uleb(changed.length), changed]))
}
const bytes = (...parts) => Buffer.concat(parts.map((p) => Buffer.from(p, "latin1")))
/** What a change that builds on the log's first change says, rightly. */
const onFirst = (doc) => {
  const first = A.decodeChange(A.getAllChanges(doc)[0])
  return { deps: [first.hash], startOp: first.startOp + first.ops.length }
}
const send = {
  change: (parts, op) => (s, doc) => s.sendChange(s.change({ ...onFirst(doc), ...parts }, op)),
  chunk: (make) => (s) => {
    const { chunk, hash } = s.change()
    s.sendSync(payload({ heads: [hash], changes: [make(chunk)] }))
  },
  payload: (data) => (s) => s.sendSync(data),
  entry: (fields) => (s) => {
    const id = newEntryId()
    s.sendChange(s.change({}, { key: id, value: s.entry(id, fields) }))
  },
}

// What is wrong, how it is sent, and the code of the refusal: a word about one
// change, a number when the connection ends.
const rows = [
  ["a gap in seq", send.change({ seq: 7 }), "seq"],
  ["startOp near 2^32", send.change({ startOp: 4294967290 }), "start-op"],
  ["an object that nobody made", send.change({}, { obj: nowhere }), "object"],
  ["a predecessor that is missing", send.change({}, { pred: [nowhere] }), "pred"],
  ["a predecessor that is the operation itself", send.change({}, (actor, startOp) => ({ pred: [`${startOp}@${actor}`] })), "pred"],
  ["the delete of a missing operation", send.change({}, { action: "del", pred: [nowhere] }), "delete"],
  ["a new object in the log", send.change({}, { action: "makeMap" }), "object"],
  ["a value that is no entry", send.change({}, { value: "not an entry" }), "entry"],
  ["an entry of another person", send.entry({ by: "p00000000z" }), "by"],
  ["a kind that only the server writes", send.entry({ kind: "clock", device: "d00000000z", offset: 1, gate: undefined, text: undefined }), "kind"],
  ["a wrong checksum", send.chunk(wrongSum), "decode"],
  ["a change cut short", send.chunk((chunk) => chunk.subarray(0, chunk.length - 9)), "decode"],
  ["a broken document chunk with a right checksum", send.chunk(brokenDocument), "decode"],
  ["a Bloom filter with entries and no bits", send.payload(payload({ have: [Buffer.concat([uleb(5), uleb(0), uleb(7)])] })), 4400],
  ["version 2 of the payload", send.payload(payload({ first: 0x43 })), 4400],
  ["a count of heads beyond the bytes", send.payload(Buffer.concat([Buffer.from([0x42]), uleb(2 ** 40)])), 4400],
  ["a payload of chance", send.payload(randomBytes(300)), 4400],
  ["a deflated bomb", send.chunk(bomb), "size"],
  ["a time that JavaScript cannot hold", send.chunk(lateTime), "decode"],
  ["a chunk of a type that is none", send.chunk((chunk) => resealed(Buffer.concat([chunk.subarray(0, 8), Buffer.from([7]), chunk.subarray(9)]))), "decode"],
  ["a change twice in one chunk", send.chunk((chunk) => Buffer.concat([chunk, chunk])), "decode"],
  ["a list", send.change({}, { action: "makeList" }), "object"],
  ["collaborative text", send.change({}, { action: "makeText" }), "object"],
  ["a counter", send.change({}, { value: 1, datatype: "counter" }), "entry"],
  ["a fraction", send.change({}, { value: 0.5, datatype: "float64" }), "entry"],
  ["null", send.change({}, { value: null }), "entry"],
  ["a key that is no id", send.change({}, { key: "__proto__" }), "key"],
  ["a note longer than a note may be", send.entry({ text: "x".repeat(9000) }), "entry"],
  ["a later version of the entries", send.entry({ v: 2 }), "entry"],
  ["a filter with 255 probes", send.payload(payload({ have: [Buffer.concat([uleb(1), uleb(10), uleb(255), Buffer.alloc(2, 255)])] })), 4400],
  ["a filter of 2^40 entries in one byte", send.payload(payload({ have: [Buffer.concat([uleb(2 ** 40), uleb(10), uleb(7), Buffer.alloc(1)])] })), 4400],
  ["nine filters", send.payload(payload({ have: Array.from({ length: 9 }, () => Buffer.alloc(0)) })), 4400],
  ["a change of 2^40 bytes", send.payload(Buffer.concat([Buffer.from([0x42, 0, 0, 0, 1]), uleb(2 ** 40)])), 4400],
  ["a key twice in a frame", (s) => s.sendRaw(bytes("\xa2\x64type\x64sync\x64type\x64sync")), 4400],
  ["a frame of unknown length", (s) => s.sendRaw(bytes("\xbf\x64type\x64sync\xff")), 4400],
  ["a frame a thousand levels deep", (s) => s.sendRaw(bytes("\xa1\x64type" + "\x81".repeat(1000) + "\x01")), 4400],
  ["a frame with a number for a key", (s) => s.sendRaw(bytes("\xa1\x01\x02")), 4400],
  ["a frame that is not CBOR", (s) => s.sendRaw(Buffer.from("ff00ff00", "hex")), 4400],
  ["a message under another sender's name", (s) => s.sendRaw(encode({ type: "sync", senderId: "somebody-else", targetId: s.server, documentId: s.document, data: payload({}) })), 4400],
]

test("what is wrong is refused with a reason, and the rest goes on", { timeout: 120_000 }, async (t) => {
  const watcher = await Script.open(farm, "Irena Kos")
  const stranger = await Stranger.open(farm, "Dan Foley")
  open.push(watcher, stranger)
  const { chunk } = stranger.change()
  stranger.sendSync(payload({ heads: [A.decodeChange(chunk).hash], changes: [chunk] }))
  await until("a log to build on", async () => (await watcher.texts()).length > 0)
  for (const [what, act, code] of rows) {
    await t.test(what, async () => {
      if (stranger.closed !== undefined) await stranger.connect()
      stranger.heard.length = 0
      act(stranger, (await watcher.log()).doc())
      const refusal = await stranger.refusal()
      assert.equal(refusal.code, code, `${refusal.code}: ${refusal.reason}`)
      assert.ok(refusal.reason.length > 5, "the reason is a sentence")
      assert.ok(farm.running, "the server is up")

      // The same device's proper work goes through, and arrives at the others.
      if (typeof code === "number") await stranger.connect()
      const id = newEntryId()
      const raw = stranger.entry(id, { text: `after ${what}` })
      stranger.sendChange(stranger.change({}, { key: id, value: raw }))
      await watcher.has(raw)
      const refusals = stranger.heard.filter((m) => m.type === "refused")
      assert.ok(stranger.heard.length <= 12, `${stranger.heard.length} messages came back`)
      assert.ok(refusals.length <= 1, "it is said once")
    })
  }
  // What the watcher holds is a sound document that loads anew.
  const copy = A.load(A.save((await watcher.log()).doc()))
  assert.deepEqual(A.getHeads(copy).toSorted(), await watcher.heads())
  assert.ok((await farm.rules(Date.now())).startsWith('{"basis":'))
})

test("a stock client with a refused change does not talk without end", { timeout: 60_000 }, async () => {
  const offender = await Script.open(farm, "Petru Albu")
  const other = await Script.open(farm, "Irena Kos")
  open.push(offender, other)
  let messages = 0
  await offender.log()
  offender.adapter.on("message", () => messages++)
  const told = new Promise((resolve) => offender.handle.once("ephemeral-message", ({ message }) => resolve(message)))
  const forged = await offender.append({ kind: "note", gate: "e", text: "not mine", by: other.ticket.person })
  await told
  const before = messages
  const good = []
  for (let i = 0; i < 5; i++) {
    good.push(await other.append({ kind: "note", gate: "e", text: `number ${i}` }))
    await offender.has(good[i])
  }
  assert.ok(messages - before <= 30, `${messages - before} messages for five entries`)
  assert.ok(!(await other.texts()).includes(forged))
  await until("a fresh copy of the log holds what was good, and not what was forged", async () => {
    const fresh = (other.fresh ??= await Script.open(farm, "Maeve Tully"))
    if (!open.includes(fresh)) open.push(fresh)
    const texts = await fresh.texts()
    return good.every((raw) => texts.includes(raw)) && !texts.includes(forged)
  })
})

test("a ticket serves the sender that used it first, and no ticket serves nobody", { timeout: 30_000 }, async () => {
  const stranger = await Stranger.open(farm, "Dan Foley")
  open.push(stranger)
  const first = stranger.name
  await stranger.close()
  stranger.name = "another"
  await assert.rejects(stranger.connect())
  assert.equal(stranger.closed?.code, 4401)
  stranger.name = first
  await stranger.connect()
  await stranger.close()
  stranger.ticket.socket = stranger.ticket.socket.replace(/ticket=.*/, "ticket=made-up")
  await assert.rejects(stranger.connect())
  assert.equal(stranger.closed?.code, 4401)
})
