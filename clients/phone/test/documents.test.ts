import { afterEach, beforeAll, beforeEach, describe, expect, it } from "vitest"
import { Disk, Phone, ready, startServer, type Server } from "./yard"

let server: Server
const running: Phone[] = []
const phone = async (...args: Parameters<typeof Phone.start>): Promise<Phone> => {
  const started = await Phone.start(...args)
  running.push(started)
  return started
}

beforeAll(ready)
beforeEach(async () => {
  server = await startServer({ history: false })
})
afterEach(async () => {
  for (const p of running.splice(0)) await p.stop()
  await server.close()
})
const stored = (): string[] => server.entries().map((raw: string) => (JSON.parse(raw) as { text: string }).text)
const safe = (p: Phone): Promise<void> => p.until("all safe", () => p.link === "online" && p.outbox.parcels.length === 0)

describe("outbox, documents and the way to the server", () => {
  it("keeps an entry in the outbox until the server has it", async () => {
    const p = await phone(server)
    const id = await p.record("lens wiped")
    expect(p.outbox.get(id)?.state).toBe("waiting")
    await safe(p)
    expect(stored()).toEqual(["lens wiped"])
  })

  it("brings two phones together that began the same month apart", async () => {
    const [a, b] = [await phone(undefined), await phone(undefined)]
    await a.record("from a")
    await b.record("from b")
    await a.stop()
    await b.stop()
    const [a2, b2] = [await phone(server, a.remains), await phone(server, b.remains)]
    await safe(a2)
    await safe(b2)
    await a2.until("a has b's", (p) => p.texts.length === 2)
    await b2.until("b has a's", (p) => p.texts.length === 2)
    expect(stored().sort()).toEqual(["from a", "from b"])
  })

  it("sends what was saved when the phone died before it reached a document", async () => {
    const p = await phone(undefined)
    const parcel = p.parcel({ kind: "note", text: "saved, then dead" })
    await p.outbox.add([parcel])
    await p.stop()
    const again = await phone(server, p.remains)
    expect(again.texts).toEqual(["saved, then dead"])
    await safe(again)
    expect(stored()).toEqual(["saved, then dead"])
  })

  it("does not write twice what the server has and the phone's copy lost", async () => {
    const p = await phone(server)
    const id = await p.record("arrived")
    await safe(p)
    const raw = p.entries.get(id) ?? ""
    await p.stop()
    // The acknowledgement and the late write of the document were lost with the battery.
    const remains = { ...p.remains, disk: new Disk() }
    globalThis.indexedDB = remains.idb
    const reopened = await phone(undefined, remains)
    await reopened.outbox.add([{ id, raw, document: server.month() }])
    await reopened.stop()
    const again = await phone(server, remains)
    await safe(again)
    expect(again.outbox.turnedAway()).toEqual([])
    expect(again.restarts).toBe(0)
    expect(stored()).toEqual(["arrived"])
  })

  it("shows what was refused with its reason, and the rest of the work goes through", async () => {
    const p = await phone(undefined)
    const before = await p.record("before")
    const no = await p.record("refuse me")
    const after = await p.record("after")
    await p.stop()
    const again = await phone(server, p.remains)
    await again.until("refused", (x) => x.outbox.turnedAway().length === 1 && x.outbox.waiting().length === 0)
    const refused = again.outbox.get(no)
    expect(refused).toMatchObject({ state: "refused", code: "rights", reason: "text: this may not be written here" })
    expect(refused?.raw).toBe(p.entries.get(no))
    expect(stored().sort()).toEqual(["after", "before"])
    await again.until("both seen", (x) => x.entries.has(before) && x.entries.has(after))
    expect(again.entries.has(no)).toBe(false)
    // And the phone is not wedged: the next entry arrives as usual.
    await again.record("next day")
    await again.until("sent", (x) => x.outbox.waiting().length === 0)
    expect(stored().sort()).toEqual(["after", "before", "next day"])
  })

  it("puts back after a refusal only what the server lacks", async () => {
    const p = await phone(server)
    const safeOnes = [await p.record("one"), await p.record("two")]
    await safe(p)
    await p.stop()
    const away = await phone(undefined, p.remains)
    const no = await away.record("refuse me")
    const late = await away.record("three")
    await away.stop()
    const again = await phone(server, p.remains)
    await again.until("refused", (x) => x.outbox.turnedAway().length === 1 && x.outbox.waiting().length === 0)
    expect(again.restarts).toBe(1)
    expect([...again.everInOutbox].sort()).toEqual([no, late].sort())
    for (const id of safeOnes) await again.until("seen again", (x) => x.entries.has(id))
    expect(stored().sort()).toEqual(["one", "three", "two"])
  })

  it("keeps what is held apart from what is refused, and lets go of it when it comes into the log", async () => {
    const p = await phone(undefined)
    const held = await p.record("hold me")
    const rest = await p.record("the rest")
    await p.stop()
    const again = await phone(server, p.remains)
    await again.until("held", (x) => x.outbox.get(held)?.state === "held" && x.outbox.waiting().length === 0)
    expect(again.outbox.get(held)).toMatchObject({ code: "unknown-entry", raw: p.entries.get(held) })
    expect(stored()).toEqual(["the rest"])
    expect(again.entries.has(held)).toBe(false)
    expect(again.entries.has(rest)).toBe(true)
    // A held entry is not for this phone to forget or to send again.
    await again.outbox.forget(held)
    expect(await again.outbox.retry(held)).toBeUndefined()
    expect(again.outbox.get(held)?.state).toBe("held")
    server.accept(p.entries.get(held) ?? "")
    await again.until("in the log", (x) => x.entries.has(held) && x.outbox.parcels.length === 0)
  })

  it("moves a refused entry to the others by itself when a manager accepts it", async () => {
    const p = await phone(server)
    const no = await p.record("refuse me")
    await p.until("refused", (x) => x.outbox.get(no)?.state === "refused")
    const raw = p.outbox.get(no)?.raw ?? ""
    await p.until("online again", (x) => x.restarts === 1 && x.link === "online")
    server.accept(raw)
    await p.until("in the log", (x) => x.entries.get(no) === raw && x.outbox.parcels.length === 0)
  })

  it("has a refused entry that was accepted while this phone was away", async () => {
    const p = await phone(server)
    const no = await p.record("refuse me")
    await p.until("refused", (x) => x.outbox.get(no)?.state === "refused" && x.restarts === 1 && x.link === "online")
    const raw = p.outbox.get(no)?.raw ?? ""
    await p.stop()
    server.accept(raw)
    const again = await phone(server, p.remains)
    await again.until("in the log", (x) => x.entries.get(no) === raw && x.outbox.parcels.length === 0)
    expect(again.restarts).toBe(0)
  })

  it("forgets a refused entry for good, and nothing else", async () => {
    const p = await phone(server)
    const no = await p.record("refuse me")
    await p.until("refused", (x) => x.outbox.get(no)?.state === "refused")
    await p.until("online again", (x) => x.restarts === 1 && x.link === "online")
    const other = await p.record("refuse me too")
    await p.until("refused too", (x) => x.outbox.get(other)?.state === "refused" && x.restarts === 2 && x.link === "online")
    await p.outbox.forget(no)
    expect(p.outbox.parcels.map((x) => x.id)).toEqual([other])
    await p.stop()
    const again = await phone(server, p.remains)
    await again.until("online", (x) => x.link === "online")
    expect(again.outbox.parcels.map((x) => x.id)).toEqual([other])
  })

  it("takes up a refusal where a crash left it", async () => {
    const p = await phone(undefined)
    await p.record("good")
    const no = await p.record("refuse me")
    await p.stop()
    const interrupted = await phone(undefined, p.remains)
    // The refusal was noted, then the battery fell out before the copy was dropped.
    await interrupted.outbox.refuse(server.month(), [{ id: no, code: "rights", reason: "no", held: false }], [], Date.now())
    await interrupted.stop()
    const again = await phone(server, p.remains)
    await again.until("good is safe", (x) => x.link === "online" && x.outbox.waiting().length === 0)
    expect(stored()).toEqual(["good"])
    expect(again.outbox.turnedAway().map((r) => r.id)).toEqual([no])
    expect(again.restarts).toBe(0)
  })

  it("comes back by itself after the line was cut, and then has what others wrote", async () => {
    const p = await phone(server)
    await p.until("online", (x) => x.link === "online")
    server.drop()
    await p.until("noticed", (x) => x.link !== "online")
    await p.record("while away")
    server.enter({ kind: "note", text: "from elsewhere" })
    await safe(p)
    await p.until("has the other's", (x) => x.texts.includes("from elsewhere"))
    expect(stored().sort()).toEqual(["from elsewhere", "while away"])
  })
})
