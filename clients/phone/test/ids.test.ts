import { describe, expect, it } from "vitest"
import { documentId, EntryIds, isEntryId, monthName, monthOf, recentMonths, successor, ulid, ulidTime, type DocName, type EntryId, type Instant, type SiteId } from "../src/logbook/ids"

describe("entry ids", () => {
  it("writes time and chance in Crockford's base 32", () => {
    expect(ulid(0, new Uint8Array(10))).toBe("00000000000000000000000000")
    expect(ulid(2 ** 48 - 1, new Uint8Array(10).fill(255))).toBe("7ZZZZZZZZZZZZZZZZZZZZZZZZZ")
    // The time of the example in the ULID specification: 1469918176385 is 01ARYZ6S41.
    expect(ulid(1469918176385, new Uint8Array(10)).slice(0, 10)).toBe("01ARYZ6S41")
  })
  it("gives its time back", () => {
    const now = Date.UTC(2026, 10, 30, 23, 59, 59, 999)
    expect(ulidTime(ulid(now, new Uint8Array(10)))).toBe(now)
  })
  it("puts an entry into its UTC month", () => {
    expect(monthOf(ulid(Date.UTC(2026, 10, 30, 23, 59, 59, 999), new Uint8Array(10)))).toBe("log/2026-11")
    expect(monthOf(ulid(Date.UTC(2026, 11, 1), new Uint8Array(10)))).toBe("log/2026-12")
    expect(recentMonths(Date.UTC(2026, 0, 31), 3)).toEqual(["log/2026-01", "log/2025-12", "log/2025-11"])
  })
  it("does not go outside of 2000 to 2099", () => {
    expect(() => monthName(Date.UTC(1999, 11, 31))).toThrow()
    expect(() => monthName(Date.UTC(2100, 0, 1))).toThrow()
  })
  it("grows within one millisecond and past what it must follow", () => {
    const ids = new EntryIds(() => new Uint8Array(10))
    const [a, b] = [ids.next(5), ids.next(5)]
    expect(b > a).toBe(true)
    const later = ulid(1000, new Uint8Array(10).fill(255))
    const void_ = ids.next(6, later)
    expect(void_).toBe(successor(later))
    expect(isEntryId(void_)).toBe(true)
    // A clock that was ahead and is put right leaves nothing behind: later ids have their own time.
    expect(ulidTime(ids.next(7 as Instant))).toBe(7)
  })
  it("gives two phones different ids behind the same entry dated ahead", () => {
    const ahead = ulid(9_000 as Instant, new Uint8Array(10).fill(255))
    const [a, b] = [1, 2].map((n) => new EntryIds(() => new Uint8Array(10).fill(n)).next(8_000 as Instant, ahead))
    expect(a).not.toBe(b)
    expect(a! > ahead && b! > ahead).toBe(true)
  })
  it("carries into the next place", () => {
    expect(successor("0000000000000000000000000Z" as EntryId)).toBe("00000000000000000000000010")
  })
})

describe("document ids", () => {
  const site = "6f9619ff-8b86-4d01-b42d-00cf4fc964ff" as SiteId
  // Oracle: wire.DocumentID(logbook.DocID(site, name)) of the server.
  it.each([
    ["plan", "huZZGnhXhwrSeCoZWNN1DiguC6i"],
    ["log/2026-11", "4R7TYcYpS9KkVdG9qKzuVhEm2VYz"],
  ])("%s is the server's", (name, id) => {
    expect(documentId(site, name as DocName)).toBe(id)
  })
})
