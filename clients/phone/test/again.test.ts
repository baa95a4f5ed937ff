import { afterEach, beforeAll, beforeEach, describe, expect, it } from "vitest"
import { writtenAgainAtMost } from "../src/documents/documents"
import { monthOf, type EntryId } from "../src/logbook/ids"
import { Phone, ready, startServer, type Server } from "./yard"

// What was not taken for a cause that is none of the entry's own is written again.

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
const online = (p: Phone): Promise<void> => p.until("online", (x) => x.link === "online")
const safe = (p: Phone): Promise<void> => p.until("all safe", () => p.link === "online" && p.outbox.parcels.length === 0)
/** The id of an entry of last month that nobody has yet. */
const notYet = (p: Phone): EntryId =>
  `${server.enter({ kind: "note", text: "its neighbour" }, lastMonth()).slice(0, 10)}${p.parcel({ kind: "note" }).id.slice(10)}` as EntryId
const come = (id: EntryId): void =>
  server.accept(JSON.stringify({ v: 1, id, kind: "note", at: lastMonth(), by: "pdan000001", dev: "d000000000", text: "late" }))
const lastMonth = (): number => Date.now() - 32 * 24 * 3_600_000

describe("an actor that was taken for another device's", () => {
  it("is given up: the entries are written again in the same text, by a new one", async () => {
    const p = await phone(undefined)
    const ids = [await p.record("one"), await p.record("two"), await p.record("three")]
    const raws = ids.map((id) => p.outbox.get(id)?.raw ?? "")
    await p.stop()
    let foreign: string | undefined
    const actors = new Set<string>()
    server.state.judge = ({ actor, text }) => {
      if (text.includes('"two"')) actors.add(actor)
      foreign ??= actor
      return actor === foreign ? "actor" : undefined
    }
    const again = await phone(server, p.remains)
    await safe(again)
    expect(server.entries().sort()).toEqual(raws.sort())
    expect(again.restarts).toBe(1)
    expect(actors.size).toBe(2)
    for (const id of ids) expect(again.entries.has(id)).toBe(true)
  })

  it("does not take along what was refused for a reason of its own", async () => {
    const p = await phone(undefined)
    const [no, good] = [await p.record("refuse me"), await p.record("good")]
    await p.stop()
    let foreign: string | undefined
    server.state.judge = ({ actor }) => {
      foreign ??= actor
      return actor === foreign ? "actor" : undefined
    }
    const again = await phone(server, p.remains)
    await again.until("at rest", (x) => x.link === "online" && x.outbox.waiting().length === 0 && x.outbox.turnedAway().length === 1)
    expect(again.outbox.get(no)).toMatchObject({ state: "refused", code: "rights" })
    expect(server.entries().map((raw) => (JSON.parse(raw) as { id: EntryId }).id)).toEqual([good])
  })

  it("is not given up for ever: a server that says so of every actor leaves an entry not accepted, and the rest goes through", async () => {
    const p = await phone(undefined)
    const [no, good] = [await p.record("nobody's"), await p.record("good")]
    const raw = p.outbox.get(no)?.raw ?? ""
    await p.stop()
    const actors = new Set<string>()
    server.state.judge = ({ actor, text }) => {
      if (!text.includes("nobody's")) return undefined
      actors.add(actor)
      return "actor"
    }
    const again = await phone(server, p.remains)
    await again.until("at rest", (x) => x.link === "online" && x.outbox.waiting().length === 0 && x.outbox.get(no)?.state === "refused")
    expect(again.outbox.get(no)).toMatchObject({ code: "actor", raw })
    expect(again.outbox.get(good)).toBeUndefined()
    expect(again.restarts).toBe(writtenAgainAtMost + 1)
    expect(actors.size).toBe(writtenAgainAtMost + 1)
    // A person who sends it again is not held to that count.
    server.state.judge = undefined
    const parcel = await again.outbox.retry(no)
    if (parcel !== undefined) await again.documents.write([parcel])
    await safe(again)
    expect(server.entries()).toContain(raw)
  })
})

describe("a server that was restored from a backup", () => {
  it("gets back what it had acknowledged, also when a change of it is refused", async () => {
    const p = await phone(server)
    const kept = await p.record("acknowledged")
    await safe(p)
    const raw = p.entries.get(kept) ?? ""
    let first: string | undefined
    server.state.judge = ({ actor }) => {
      first ??= actor
      return actor === first ? "actor" : undefined
    }
    server.lose(server.month())
    await p.until("refused", (x) => x.restarts === 1)
    await p.until("back", (x) => x.link === "online" && x.outbox.parcels.length === 0 && server.entries().includes(raw))
    expect(p.entries.get(kept)).toBe(raw)
  })

  it("is sent again what it held for want of an entry that has come", async () => {
    const p = await phone(server)
    await online(p)
    const target = notYet(p)
    const id = await p.do({ kind: "void", of: target, why: "twice" })
    const raw = p.outbox.get(id)?.raw ?? ""
    await p.until("held", (x) => x.outbox.get(id)?.state === "held" && x.link === "online" && x.restarts === 1)
    // As long as what it is about is not in the log it waits, however often the phone connects.
    server.drop()
    await p.until("noticed", (x) => x.link !== "online")
    await p.record("after the line was cut")
    await p.until("connected anew", (x) => x.link === "online" && x.outbox.waiting().length === 0)
    expect(p.outbox.get(id)?.state).toBe("held")
    expect(p.restarts).toBe(1)
    // It comes; a server that still held the void would let it in now. This one has lost it.
    come(target)
    await p.until("the target is here", (x) => x.entries.has(target))
    expect(p.outbox.get(id)?.state).toBe("held")
    server.drop()
    await p.until("noticed", (x) => x.link !== "online")
    await safe(p)
    expect(server.entries()).toContain(raw)
    expect(p.entries.get(id)).toBe(raw)
    expect(p.restarts).toBe(1)
  })

  it("is not judged by what it had before: what waits is sent when a connection begins with what it waits for in the log", async () => {
    const p = await phone(server)
    await online(p)
    const target = notYet(p)
    const id = await p.do({ kind: "void", of: target })
    await p.until("held", (x) => x.outbox.get(id)?.state === "held" && x.link === "online" && x.restarts === 1)
    come(target)
    await p.until("the target is here", (x) => x.entries.has(target))
    server.lose(monthOf(target))
    await p.until("noticed", (x) => x.link !== "online")
    await p.record("after the line was cut")
    await p.until("connected anew", (x) => x.link === "online" && x.outbox.waiting().length === 0)
    expect(p.outbox.get(id)?.state).toBe("held")
    expect(p.restarts).toBe(1)
    await p.until("the phone has brought the target back", () => server.entries().some((raw) => raw.includes(`"id":"${target}"`)))
    server.drop()
    await p.until("noticed", (x) => x.link !== "online")
    await safe(p)
    expect(p.restarts).toBe(1)
  })

  it("is not sent the same again and again when it goes on holding it", async () => {
    const target = server.enter({ kind: "note", text: "there" }, lastMonth())
    let times = 0
    server.state.judge = ({ text }) => {
      if (!text.includes('"kind":"void"')) return undefined
      times++
      return "unknown-entry"
    }
    const p = await phone(server)
    await online(p)
    const id = await p.do({ kind: "void", of: target })
    await p.until("held for good", (x) => x.restarts === writtenAgainAtMost + 1 && x.link === "online" && x.outbox.get(id)?.state === "held")
    await p.record("the rest")
    await p.until("sent", (x) => x.link === "online" && x.outbox.waiting().length === 0)
    expect(p.restarts).toBe(writtenAgainAtMost + 1)
    expect(times).toBe(writtenAgainAtMost + 1)
    expect(p.outbox.get(id)?.state).toBe("held")
    // Whoever opens the app again tries again, and then it comes in.
    server.state.judge = undefined
    await p.stop()
    running.splice(running.indexOf(p), 1)
    await safe(await phone(server, p.remains))
  })
})

describe("a phone whose storage fails while it starts over", () => {
  it("takes the refusal in when it has room again", async () => {
    const p = await phone(server)
    const refuse = p.outbox.refuse.bind(p.outbox)
    let failures = 0
    p.outbox.refuse = (...args) => (++failures < 3 ? Promise.reject(new DOMException("no room", "QuotaExceededError")) : refuse(...args))
    const no = await p.record("refuse me")
    const good = await p.record("good")
    await p.until("at rest", (x) => x.link === "online" && x.outbox.get(no)?.state === "refused" && x.outbox.get(good) === undefined)
    expect(failures).toBe(3)
    expect(p.restarts).toBe(1)
  })

  it("connects again although the copy could not be dropped at once", async () => {
    const p = await phone(server)
    const { disk } = p.remains
    const removeRange = disk.removeRange.bind(disk)
    let failures = 0
    disk.removeRange = (prefix) => (++failures < 3 ? Promise.reject(new Error("the disk gave an error")) : removeRange(prefix))
    const no = await p.record("refuse me")
    const good = await p.record("good")
    await p.until("at rest", (x) => x.link === "online" && x.outbox.get(no)?.state === "refused" && x.outbox.get(good) === undefined)
    expect(failures).toBeGreaterThanOrEqual(3)
    await p.record("next day")
    await p.until("sent", (x) => x.link === "online" && x.outbox.waiting().length === 0)
    expect(await p.outbox.toDrop()).toEqual([])
  })
})
