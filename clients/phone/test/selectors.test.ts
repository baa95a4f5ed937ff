import { describe, expect, it } from "vitest"
import { flagsThatCount, groupedFlags, nextStep, openFlags } from "../src/features/flags/selectors"
import { logLines } from "../src/features/log/selectors"
import { turnedAwayHere } from "../src/features/refused/selectors"
import { roundOf } from "../src/features/round/selectors"
import { encodeEntry, parseEntry, withdrawn, type Doing, type Entry } from "../src/logbook/entry"
import { ulid, type CheckId, type DeviceId, type EntryId, type GateId, type PersonId } from "../src/logbook/ids"
import { limitsAt, parsePlan, type Plan } from "../src/logbook/plan"
import type { Due, Flag, RulesOutput } from "../src/rules/output"
import { standing } from "../src/session/standing"
import { syncTruth } from "../src/session/sync"

const planText = JSON.stringify({
  site: { name: "Sallow Brook", zone: "Europe/Dublin" },
  gates: { e: { name: "East race", order: 1, indicators: "[]" }, y: { name: "Yard gate", order: 0 }, old: { name: "Old gate", order: 2, retired: 5 } },
  parts: { "e-a": { gate: "e", type: "photocell", name: "Beam 1", pos: '{"x":0.8,"y":0.5}' } },
  checks: {
    lens: { gate: "e", part: "e-a", name: "Lenses", kind: "look", cautions: "[1,7]", cadence: '[{"from":0,"every":"milking"}]', order: 3 },
    list: { gate: "e", name: "Sort list", kind: "look", cautions: "[]", order: 2 },
    air: { gate: "e", name: "Pressure", kind: "number", limits: '[{"from":0,"unit":"bar","low":6,"high":8},{"from":100,"unit":"bar","low":5,"high":8,"marks":true}]', cautions: "[]", order: 1 },
    ram: { gate: "e", name: "Ram", kind: "look", cautions: "[2]", order: 4 },
    odd: { gate: "e", name: "Of a later version", kind: "smell", order: 5 },
  },
  rounds: { am: { name: "Morning", checks: '["list","lens","ram"]', order: 0 } },
})
const plan = parsePlan(planText) as Plan
const due = (check: string, state: Due["state"], why: Due["why"] = "cadence"): Due => ({ check: check as CheckId, gate: "e" as GateId, why, state })
const rules = (list: readonly Due[], flags: readonly Flag[] = []): RulesOutput => ({ now: 200, due: list, flags, completion: [] })
const flag = (subject: string, over: Partial<Flag> = {}): Flag => ({ subject, rule: subject.split("/")[0] ?? "", severity: "watch", raised: 1, key: "", params: {}, entries: [], ...over })

describe("the plan", () => {
  it("opens what is packed and leaves out what it does not know", () => {
    expect(plan.gates.map((g) => g.id)).toEqual(["y", "e", "old"])
    expect(plan.checks.has("odd" as CheckId)).toBe(false)
    expect(plan.parts.get("e-a" as never)?.at).toEqual({ x: 0.8, y: 0.5 })
  })
  it("judges by the limits of the day", () => {
    const air = plan.checks.get("air" as CheckId)
    expect(air && limitsAt(air, 99)?.low).toBe(6)
    expect(air && limitsAt(air, 100)?.low).toBe(5)
  })
  it("survives a plan that is broken", () => {
    expect(parsePlan("{")).toBeUndefined()
    expect(parsePlan('{"checks":{"a":{"kind":"look","cautions":"no list","cadence":"["}}}')?.checks.get("a" as CheckId)?.cautions).toEqual([])
  })
})

describe("flags of one cause", () => {
  const near = flag("near/air", { under: "drift/air" })
  const drift = flag("drift/air", { under: "limit/air" })
  const limit = flag("limit/air", { severity: "act" })
  it("stand under the one that tells, however deep", () => {
    const [first, ...rest] = groupedFlags(rules([], [near, flag("manual/e"), limit, drift]))
    expect(first?.head.subject).toBe("limit/air")
    expect(first?.under.map((f) => f.subject).sort()).toEqual(["drift/air", "near/air"])
    expect(rest.map((g) => g.head.subject)).toEqual(["manual/e"])
    expect(flagsThatCount(rules([], [near, flag("manual/e"), limit, drift]))).toBe(2)
  })
  it("stand alone when the one above is over", () => {
    const over = flag("limit/air", { cleared: 5 })
    expect(groupedFlags(rules([], [over, drift])).map((g) => g.head.subject)).toEqual(["drift/air"])
  })
})

describe("the round", () => {
  it("goes gate by gate in the walking order, what is long due first", () => {
    const [yard, east, ...rest] = roundOf(plan, rules([due("lens", "due"), due("list", "due"), due("air", "overdue"), due("ram", "open")]))
    expect(rest).toEqual([])
    expect(yard?.todo).toEqual([])
    expect(east?.todo.map((r) => r.check.id)).toEqual(["air", "list", "lens"])
    expect(east?.later.map((r) => r.check.id)).toEqual(["ram"])
    expect(east?.cautions).toEqual([1, 7])
  })
  it("shows a check once, as to be checked again when both are due", () => {
    const [, east] = roundOf(plan, rules([due("air", "done"), due("air", "due", "recheck")]))
    expect(east?.todo.map((r) => r.state)).toEqual(["recheck"])
    expect(east?.done).toEqual([])
  })
  it("ticks together only what is looked at on the walk and needs nothing made safe", () => {
    const [, east] = roundOf(plan, rules([due("lens", "due"), due("list", "late"), due("air", "due"), due("ram", "due")]))
    expect(east?.usual).toEqual(["list", "lens"])
  })
  it("offers nothing to do at a gate out of service", () => {
    const [, east] = roundOf(plan, rules([due("lens", "parked"), due("list", "parked")]))
    expect(east?.parked).toBe(true)
    expect(east?.todo).toEqual([])
  })
})

describe("flags", () => {
  it("stand by how pressing they are, dismissed ones last", () => {
    const list = [flag("near/air", { severity: "know" }), flag("bad/lens", { severity: "act", dismissed: { by: "p", at: 1, entry: "" as EntryId } }), flag("limit/air", { severity: "act" }), flag("overdue/lens"), flag("overdue/list", { cleared: 3 })]
    expect(openFlags(rules([], list)).map((f) => f.subject)).toEqual(["limit/air", "overdue/lens", "near/air", "bad/lens"])
  })
  it("name one next step", () => {
    expect(nextStep(flag("limit/air", { check: "air" as CheckId }), plan)).toMatchObject({ is: "measure" })
    expect(nextStep(flag("manual/e", { gate: "e" as GateId }), plan)).toEqual({ is: "automatic", gate: "e" })
    expect(nextStep(flag("clock/d1"), plan)).toBeUndefined()
  })
})

const entry = (ms: number, doing: Doing, by = "panna00001"): Entry => {
  const id = ulid(ms, new Uint8Array(10))
  return parseEntry(encodeEntry(doing, { id, at: ms, off: 0, by: by as PersonId, dev: "d000000001" as DeviceId })) as Entry
}

describe("entries", () => {
  it("are canonical text with the author's fields, and no correction of 0", () => {
    const id = ulid(5, new Uint8Array(10))
    const raw = encodeEntry({ kind: "tick", check: "lens" as CheckId }, { id, at: 5, off: 0, by: "panna00001" as PersonId, dev: "d000000001" as DeviceId })
    expect(raw).toBe(`{"at":5,"by":"panna00001","check":"lens","dev":"d000000001","id":"${id}","kind":"tick","v":1}`)
    expect(encodeEntry({ kind: "tick", check: "lens" as CheckId }, { id, at: 5, off: -7, by: "panna00001" as PersonId, dev: "d000000001" as DeviceId })).toContain('"off":-7')
  })
  it("are withdrawn by a void, and stand again when that is withdrawn", () => {
    const tick = entry(1, { kind: "tick", check: "lens" as CheckId })
    const first = entry(2, { kind: "void", of: tick.id })
    const second = entry(3, { kind: "void", of: first.id })
    expect([...withdrawn([tick, first]).keys()]).toEqual([tick.id])
    expect([...withdrawn([second, tick, first]).keys()]).toEqual([first.id])
  })
  it("tell how a gate stands", () => {
    const manual = entry(1, { kind: "mode", gate: "e" as GateId, mode: "manual" })
    const auto = entry(2, { kind: "mode", gate: "e" as GateId, mode: "automatic" })
    const undone = entry(3, { kind: "void", of: auto.id })
    expect(standing([manual, auto], 10).gates.get("e" as GateId)?.mode).toBe("automatic")
    expect(standing([manual, auto, undone], 10).gates.get("e" as GateId)).toMatchObject({ mode: "manual", modeSince: 1 })
    expect(standing([manual], 0).gates.size).toBe(0)
  })
})

describe("the log", () => {
  it("shows where each entry is, those not accepted too", () => {
    const [safe, saved, refused, held] = [entry(1, { kind: "note", text: "a" }), entry(2, { kind: "note", text: "b" }), entry(3, { kind: "note", text: "c" }), entry(4, { kind: "void", of: entry(1, { kind: "note", text: "z" }).id })]
    const document = "log/1970-01" as never
    const lines = logLines(
      new Map([safe, saved].map((e) => [e.id, e])),
      [
        { id: saved.id, raw: saved.raw, document, state: "waiting" },
        { id: refused.id, raw: refused.raw, document, state: "refused", code: "rights", reason: "kind: not yours", refusedAt: 9 },
        { id: held.id, raw: held.raw, document, state: "held", code: "unknown-entry", reason: "of: not here yet", refusedAt: 9 },
      ],
      new Map(),
      10,
    )
    expect(lines.map((l) => l.place.is)).toEqual(["held", "refused", "saved", "safe"])
    expect(lines.map((l) => ("code" in l.place ? l.place.code : ""))).toEqual(["unknown-entry", "rights", "", ""])
  })
})

describe("what did not come into the log", () => {
  const document = "log/1970-01" as never
  const turned = (id: string, state: "held" | "refused", refusedAt = 100_000) => ({ id: id as EntryId, raw: "{", document, state, code: "by", reason: "by: no", refusedAt })
  const waiting = { id: "W" as EntryId, raw: "{", document, state: "waiting" as const }
  const discarded = (at: number) => ({ what: "discard" as const, by: "p000000001", at, why: "twice" })
  it("is listed with the newest first, without what only waits to be sent", () => {
    expect(turnedAwayHere([turned("A", "refused"), waiting, turned("B", "held")], new Map()).map((l) => [l.parcel.id, l.parcel.state, l.entry])).toEqual([
      ["B", "held", undefined],
      ["A", "refused", undefined],
    ])
  })
  it("shows a decision, unless the entry was refused once more after it", () => {
    const shown = (at: number) => turnedAwayHere([turned("A", "refused", 200_000)], new Map([["A" as EntryId, discarded(at)]]))[0]?.decision?.why
    expect([shown(300_000), shown(140_000), shown(139_999)]).toEqual(["twice", "twice", undefined])
  })
})

describe("the truth about the server", () => {
  const document = "log/1970-01" as never
  const waiting = { id: "A" as EntryId, raw: "", document, state: "waiting" as const }
  const refused = { id: "B" as EntryId, raw: "", document, state: "refused" as const, code: "", reason: "", refusedAt: 0 }
  const held = { ...refused, id: "C" as EntryId, state: "held" as const }
  const marks = (...args: Parameters<typeof syncTruth>): readonly string[] => [syncTruth(...args).mark, syncTruth(...args).linkMark]
  const say = (...args: Parameters<typeof syncTruth>): string => syncTruth(...args).short
  it("says what waits, even with the socket open", () => {
    const now = Date.UTC(2026, 6, 15, 13, 2)
    expect(say([], "online", now, now, "UTC")).toBe("safe 13:02")
    expect(say([waiting], "online", now, now, "UTC")).toBe("1 waiting")
    expect(say([waiting], "offline", now, now, "UTC")).toBe("offline, 1 waiting")
    expect(say([], "offline", now, now, "UTC")).toBe("offline")
    expect(say([refused], "online", now, now, "UTC")).toBe("1 not accepted")
    expect(say([held], "online", now, now, "UTC")).toBe("1 to be confirmed, safe 13:02")
    expect(say([held, refused, waiting], "online", now, now, "UTC")).toBe("1 waiting, 1 not accepted, 1 to be confirmed")
    expect(marks([refused], "online", now, now, "UTC")).toEqual(["refused", "safe"])
    expect(marks([held], "online", now, now, "UTC")).toEqual(["held", "safe"])
    expect(marks([held], "offline", now, now, "UTC")).toEqual(["offline", "offline"])
    expect(say([], "online", undefined, now, "UTC")).toBe("not on the server yet")
    expect(say([waiting, refused], "ended", now, now, "UTC")).toBe("access ended, 1 waiting, 1 not accepted")
  })
})
