import "fake-indexeddb/auto"
import { describe, expect, it } from "vitest"
import type { Person } from "../src/device/api"
import { counted, delayAfter, fewestIterations, fits, forgiven, isPin, iterationsFor, makePin, waitOf, type Pin } from "../src/device/pin"
import { Devices } from "../src/device/device"
import type { PersonId } from "../src/logbook/ids"
import { backTo, Lock, mustHavePin } from "../src/session/lock.svelte"

describe("a PIN", () => {
  it("has 4 to 8 digits", () => {
    expect(["1234", "12345678"].every(isPin)).toBe(true)
    expect(["123", "123456789", "12a4", " 1234", "١٢٣٤", ""].some(isPin)).toBe(false)
  })

  it("is known again and nothing else is, with a salt for each", async () => {
    // A clock on which the sample takes long: the fewest iterations, so that the test is quick.
    const slow = (): (() => number) => {
      let at = 0
      return () => (at += 1000)
    }
    const [one, two] = [await makePin("4711", slow()), await makePin("4711", slow())]
    expect(one.iterations).toBe(fewestIterations)
    expect(await fits(one, "4711")).toBe(true)
    expect(await fits(one, "4712")).toBe(false)
    expect(await fits(one, "47110")).toBe(false)
    expect(one.salt).not.toEqual(two.salt)
    expect(one.hash).not.toEqual(two.hash)
    expect(JSON.stringify([...one.hash, ...one.salt])).not.toContain("4711")
  })

  it("derives as PBKDF2 with HMAC-SHA-256 does (RFC 7914, section 11)", async () => {
    const hex = "4ddcd8f60b98be21830cee5ef22701f9641a4418d04c0414aeff08876b34ab56a1d425a1225833549adb841b51c9b3176a272bdebba1d078478f62b397f33c8d"
    const hash = new Uint8Array((hex.slice(0, 64).match(/../g) ?? []).map((b) => parseInt(b, 16)))
    const pin: Pin = { salt: new TextEncoder().encode("NaCl"), iterations: 80_000, hash, wrong: 0, until: 0 }
    expect(await fits(pin, "Password")).toBe(true)
    expect(await fits(pin, "password")).toBe(false)
  })

  it("takes about 300 ms to try, and never fewer than 200,000 iterations", () => {
    expect([10, 25, 75, 100, 5000].map(iterationsFor)).toEqual([1_500_000, 600_000, 200_000, 200_000, 200_000])
    expect(iterationsFor(0)).toBeLessThanOrEqual(20_000_000)
  })

  it("makes wrong tries wait longer and longer, an hour at most", () => {
    expect([1, 2, 3, 4, 5, 10, 11, 40].map(delayAfter)).toEqual([0, 0, 15_000, 30_000, 60_000, 1_920_000, 3_600_000, 3_600_000])
    let pin: Pin = { salt: new Uint8Array(1), iterations: 1, hash: new Uint8Array(1), wrong: 0, until: 0 }
    for (const now of [1000, 2000, 3000]) pin = counted(pin, now)
    expect([3000, 17_999, 18_000].map((now) => waitOf(pin, now))).toEqual([15_000, 1, 0])
    expect(waitOf(pin, -1e12), "a clock that was set back").toBe(15_000)
    expect(waitOf(forgiven(pin), 3000)).toBe(0)
  })
})

describe("who records on a phone that locks", () => {
  const person = (id: string, role: Person["role"] = "crew", until?: number): Person => ({ id: id as PersonId, name: id, role, ...(until !== undefined && { until }) })
  const back = (people: readonly Person[], open: string | undefined, pins: readonly string[] = []): string | undefined =>
    backTo({ people, ...(open !== undefined && { open: open as PersonId }) }, new Set(pins as PersonId[]), 1000)

  it("is the last one without a PIN", () => {
    const people = [person("a"), person("b"), person("m", "manager")]
    expect(back(people, "b", ["m"])).toBe("b")
    expect(back(people, undefined, ["m"]), "nobody yet").toBeUndefined()
    expect(back(people, "b", ["m", "b"]), "who has one by now").toBeUndefined()
    expect(back(people, "gone", ["m"]), "who was taken off").toBeUndefined()
    expect(back([person("a", "crew", 1000), person("m", "manager")], "a"), "whose access has ended").toBeUndefined()
    expect(back(people, "m"), "a manager among others").toBeUndefined()
    expect(back([person("m", "manager")], "m")).toBe("m")
  })

  it("asks managers for a PIN where they are not alone", () => {
    const [m, a] = [person("m", "manager"), person("a")]
    expect([mustHavePin(m, [m]), mustHavePin(m, [m, a]), mustHavePin(a, [m, a]), mustHavePin(undefined, [m, a])]).toEqual([false, true, false, false])
  })
})

describe("tries of a PIN", () => {
  it("are counted on the disk: a start afresh neither shortens the wait nor gives a try away", async () => {
    const devices = await Devices.open()
    let now = 1_000_000
    const start = async (): Promise<Lock> => {
      const lock = new Lock(() => now)
      await lock.load(devices)
      return lock
    }
    const dan = "p1" as PersonId
    const lock = await start()
    await lock.set(dan, "4711")
    expect(await lock.try("p2" as PersonId, ""), "somebody without a PIN").toEqual({ is: "in" })
    for (const wrong of ["1111", "2222"]) expect(await (await start()).try(dan, wrong)).toEqual({ is: "wrong" })
    expect(await (await start()).try(dan, "3333")).toEqual({ is: "wrong" })
    expect((await start()).wait(dan)).toBe(15_000)
    now += 14_999
    expect(await (await start()).try(dan, "4711"), "the right one, too early").toEqual({ is: "wait" })
    now += 1
    const again = await start()
    const both = await Promise.all([again.try(dan, "4711"), again.try(dan, "4711")])
    expect(both, "two at once are one try").toEqual([{ is: "in" }, { is: "wait" }])
    expect((await devices.pins())?.get(dan)?.wrong).toBe(0)
    await again.remove(dan)
    expect((await start()).has(dan)).toBe(false)
  })

  it("locks after five minutes without a touch", () => {
    let now = 0
    const lock = new Lock(() => now)
    now = 299_999
    expect(lock.idle).toBe(false)
    now = 300_000
    expect(lock.idle).toBe(true)
    lock.touch()
    expect(lock.idle).toBe(false)
  })
})
