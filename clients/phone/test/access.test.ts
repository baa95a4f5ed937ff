import { encodeQR } from "qr"
import decodeQR from "qr/decode.js"
import { describe, expect, it } from "vitest"
import type { Person, Phone } from "../src/device/api"
import { byAccess, endOfDay, inHalves, inOrder, minutesLeft } from "../src/features/access/selectors"
import type { DeviceId, PersonId } from "../src/logbook/ids"

const person = (id: string, until?: number): Person => ({ id: id as PersonId, name: id, role: "crew", ...(until !== undefined && { until }) })
const phone = (id: string, created: number, seen?: number, revoked?: number): Phone => ({ id: id as DeviceId, label: id, created, seen, revoked, people: [] })

describe("people by access", () => {
  it("takes an access that ends later as open, and one that ends now as ended", () => {
    const lists = byAccess([person("a"), person("b", 1000), person("c", 1001), person("d", 900)], 1000)
    expect(lists.open.map((p) => p.id)).toEqual(["a", "c"])
    expect(lists.ended.map((p) => p.id)).toEqual(["b", "d"])
  })
})

describe("phones in order", () => {
  it("puts this one first, the lately seen before the others, and revoked ones last", () => {
    const all = [phone("gone", 1, 99, 50), phone("old", 2, 10), phone("unseen", 30), phone("here", 1), phone("new", 3, 40)]
    expect(inOrder(all, "here" as DeviceId).map((p) => p.id)).toEqual(["here", "new", "unseen", "old", "gone"])
  })
})

describe("a typed code", () => {
  it("is read in halves and counts whole minutes down", () => {
    expect(inHalves("AB3DEFGH")).toBe("AB3D EFGH")
    const invited = { link: "", expires: 0, short: "", shortExpires: 600_000 }
    expect([0, 1, 540_000, 540_001, 599_999, 600_000, 700_000].map((now) => minutesLeft(invited, now))).toEqual([10, 10, 1, 1, 1, 0, 0])
  })
})

describe("the end of a day at the site", () => {
  const end = (day: string, zone: string): string | undefined => {
    const at = endOfDay(day, zone)
    return at === undefined ? undefined : new Date(at).toISOString()
  }
  it("is the midnight after it, by the site's clock", () => {
    expect(end("2026-01-15", "Europe/Dublin")).toBe("2026-01-16T00:00:00.000Z")
    expect(end("2026-07-15", "Europe/Dublin")).toBe("2026-07-15T23:00:00.000Z")
    expect(end("2026-12-31", "Pacific/Auckland")).toBe("2026-12-31T11:00:00.000Z")
    expect(end("2026-02-28", "America/Denver")).toBe("2026-03-01T07:00:00.000Z")
  })
  it("knows the nights in which the clocks change", () => {
    // Dublin: forward on 29 March 2026 at 01:00 UTC, back on 25 October 2026 at 01:00 UTC.
    expect(["2026-03-28", "2026-03-29", "2026-10-24", "2026-10-25"].map((d) => end(d, "Europe/Dublin"))).toEqual([
      "2026-03-29T00:00:00.000Z", "2026-03-29T23:00:00.000Z", "2026-10-24T23:00:00.000Z", "2026-10-26T00:00:00.000Z",
    ])
  })
  it("is none for what is no day", () => {
    expect(["", "2026-02-30", "2026-13-01", "15/07/2026"].map((d) => end(d, "UTC"))).toEqual([undefined, undefined, undefined, undefined])
  })
})

describe("the picture of a link", () => {
  it("says the link, whole, to a reader of such pictures", () => {
    const link = "https://gates.brook-farm.example/join#DH76GJZRC3WB1WBGVAC9"
    const rows = encodeQR(link, "raw", { ecc: "medium", border: 4 })
    const scale = 6
    const size = rows.length * scale
    const data = new Uint8Array(size * size * 4).fill(255)
    for (let y = 0; y < size; y++) for (let x = 0; x < size; x++) if (rows[Math.floor(y / scale)]?.[Math.floor(x / scale)] === true) data.fill(0, (y * size + x) * 4, (y * size + x) * 4 + 3)
    expect(decodeQR({ width: size, height: size, data })).toBe(link)
  })
})
