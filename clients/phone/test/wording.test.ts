import { describe, expect, it } from "vitest"
import { codeIn, readCode } from "../src/features/join/code"
import { parsePlan } from "../src/logbook/plan"
import type { Flag } from "../src/rules/output"
import { en, type MessageKey } from "../src/wording/en"
import { flagText, type Naming } from "../src/wording/entry"
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

describe("flags in words", () => {
  const now = Date.UTC(2026, 6, 15, 12, 0)
  const plan = parsePlan('{"site":{"zone":"UTC"},"gates":{"e":{"name":"East race"}},"checks":{"air":{"gate":"e","name":"Pressure","kind":"number"}}}')
  const naming: Naming = { plan, name: (p) => p, entry: () => undefined, now }
  const sentence = (subject: string, key: string, params: Flag["params"]): string =>
    flagText({ subject, rule: subject.split("/")[0] ?? "", severity: "watch", gate: "e", check: "air", raised: 1, key, params, entries: [] } as unknown as Flag, naming)
  it.each([
    ["doubt/air", "flag.doubt.low", { value: 6, low: 6, high: 8, u: 0.05, guard: 1.65, unit: "bar" }, "Pressure: 6 bar is too near the limit to tell, wanted 6 – 8 bar. The reading may be 0.0825 bar off: measure again with care."],
    ["drift/air", "flag.drift.low", { value: 6.4, slope: -0.031234, limit: 6, n: 12, crosses: now + 13 * 86_400_000, from: now + 9 * 86_400_000, unit: "bar" }, "Pressure is sinking by 0.0312 bar a day (12 readings), now 6.4 bar. If that goes on it falls below 6 bar about Tue 28 Jul (not before Fri 24 Jul)."],
    ["shift/air", "flag.shift.high", { value: 7.4, target: 6.98765, unit: "bar" }, "Pressure has gone up: 7.4 bar, it used to be about 6.99 bar. The limits still hold; look for what changed."],
    ["rate/e", "flag.rate.fall", { rate: 95.238095, read: 400, passages: 420, base: 98.9 }, "East race reads fewer tags than before: 95.2 % of the last 6 milkings (400 of 420), it used to be 98.9 %."],
    ["repeat/e", "flag.repeat", { seen: "no-such", n: 4, since: now - 3_600_000 }, "East race: no-such, 4 times since 11:00. Putting it right each time has not removed the cause."],
    ["quiet/site", "flag.quiet", { since: now - 3_600_000 }, "Nothing has been recorded here since 11:00."],
    ["altered/v1", "flag.altered", { n: 1, signed: now - 3_600_000 }, "A signed visit was changed afterwards: 1 entry after the signature of 11:00."],
    ["visit/air", "flag.visit", { due: now + 3_600_000 }, "Pressure is due 13:00. "],
  ])("%s", (subject, key, params, want) => expect(sentence(subject, key, params)).toBe(want))
})

describe("codes of invitations", () => {
  it("reads them as people type them", () => {
    expect(readCode("dh76g jzrc3-wb1wb gvac9")).toBe("DH76GJZRC3WB1WBGVAC9")
    expect(readCode("OI76GJZRC3WB1WBGVAL9")).toBe("0176GJZRC3WB1WBGVA19")
    expect(readCode("oi76 gjz-l")).toBe("0176GJZ1")
    expect(codeIn("https://farm.example/join#DH76GJZRC3WB1WBGVAC9")).toBe("DH76GJZRC3WB1WBGVAC9")
  })
  it.each(["", "DH76G", "DH76GJZRC3WB1WBGVAC9X", "UH76GJZRC3WB1WBGVAC9"])("does not take %j", (text) => {
    expect(readCode(text)).toBeUndefined()
  })
})
