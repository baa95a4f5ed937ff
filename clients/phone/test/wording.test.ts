import { describe, expect, it } from "vitest"
import { codeIn, readCode } from "../src/features/join/code"
import { en, type MessageKey } from "../src/wording/en"
import { say } from "../src/wording/say"
import { age, until, when } from "../src/wording/when"

describe("sentences", () => {
  it("puts parameters in and counts", () => {
    expect(say("sync.waiting.long", { n: 1 })).toBe("1 entry is saved on this phone and waits for the server.")
    expect(say("sync.waiting.long", { n: 3 })).toBe("3 entries are saved on this phone and wait for the server.")
    expect(say("state.overdue.missed", { time: "05:30", n: 1 })).toBe("overdue since 05:30, missed once")
  })
  it("can read every message, and leaves no brace behind", () => {
    for (const key of Object.keys(en) as MessageKey[]) {
      const names = [...en[key].matchAll(/\{(\w+)/g)].map((m) => [m[1] ?? "", 2] as const)
      expect(say(key, Object.fromEntries(names)), key).not.toMatch(/[{}]/)
    }
  })
})

describe("times", () => {
  const zone = "Europe/Dublin"
  const now = Date.UTC(2026, 6, 15, 12, 0) // 13:00 local
  it("names as much of the day as is needed", () => {
    expect(when(Date.UTC(2026, 6, 15, 4, 40), now, zone)).toBe("05:40")
    expect(when(Date.UTC(2026, 6, 14, 4, 40), now, zone)).toBe("yesterday 05:40")
    expect(when(Date.UTC(2026, 6, 16, 4, 40), now, zone)).toBe("tomorrow 05:40")
    expect(when(Date.UTC(2026, 6, 12, 4, 40), now, zone)).toBe("Sun 12 Jul 05:40")
    expect(when(Date.UTC(2026, 5, 1, 4, 40), now, zone)).toBe("Mon 1 Jun")
  })
  it("calls midnight the end of its day", () => {
    expect(until(Date.UTC(2026, 6, 15, 23, 0), now, zone)).toBe("today 24:00")
    expect(until(Date.UTC(2026, 6, 14, 23, 0), now, zone)).toBe("yesterday 24:00")
  })
  it("tells ages in the unit that fits", () => {
    expect(age(now - 30_000, now)).toBe("just now")
    expect(age(now - 5 * 60_000, now)).toBe("5 min ago")
    expect(age(now - 5 * 3_600_000, now)).toBe("5 h ago")
    expect(age(now - 50 * 3_600_000, now)).toBe("2 days ago")
  })
})

describe("codes of invitations", () => {
  it("reads them as people type them", () => {
    expect(readCode("dh76g jzrc3-wb1wb gvac9")).toBe("DH76GJZRC3WB1WBGVAC9")
    expect(readCode("OI76GJZRC3WB1WBGVAL9")).toBe("0176GJZRC3WB1WBGVA19")
    expect(codeIn("https://farm.example/join#DH76GJZRC3WB1WBGVAC9")).toBe("DH76GJZRC3WB1WBGVAC9")
  })
  it.each(["", "DH76G", "DH76GJZRC3WB1WBGVAC9X", "UH76GJZRC3WB1WBGVAC9"])("does not take %j", (text) => {
    expect(readCode(text)).toBeUndefined()
  })
})
