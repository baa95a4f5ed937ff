import type { Entry } from "../logbook/entry"
import type { CheckId, EntryId, GateId, PartId } from "../logbook/ids"
import type { Check, Limits, Plan } from "../logbook/plan"
import type { Flag } from "../rules/output"
import { quantity, showNumber, showUnit } from "./number"
import { say, sayIfKnown } from "./say"
import { until, when } from "./when"

// Sentences about entries and flags. They need names from the plan and of
// people, which are handed in: nothing here reads the state of the app.

export interface Naming {
  readonly plan: Plan | undefined
  readonly name: (person: string) => string
  readonly entry: (id: EntryId) => Entry | undefined
  readonly now: number
}

const text = (value: unknown): string => (typeof value === "string" ? value : "")

export const gateName = (plan: Plan | undefined, id: GateId | undefined): string => plan?.gates.find((g) => g.id === id)?.name ?? id ?? ""

/** A check by its name, with the part where the gate has several alike. */
export function checkName(plan: Plan | undefined, id: CheckId | undefined): string {
  const check = id === undefined ? undefined : plan?.checks.get(id)
  if (check === undefined) return id ?? ""
  const part = partName(plan, check.part)
  return part === "" || check.name.toLowerCase().includes(part.toLowerCase()) ? check.name : `${check.name} · ${part}`
}

export const partName = (plan: Plan | undefined, id: PartId | undefined): string => (id === undefined ? "" : (plan?.parts.get(id)?.name ?? ""))

export function limitsText(low: number | undefined, high: number | undefined, unit: string): string {
  if (low !== undefined && high !== undefined) return say("number.within", { low: showNumber(low), high: showNumber(high), unit: showUnit(unit) })
  if (low !== undefined) return say("number.least", { low: showNumber(low), unit: showUnit(unit) })
  if (high !== undefined) return say("number.most", { high: showNumber(high), unit: showUnit(unit) })
  return unit === "" ? "" : say("number.free", { unit: showUnit(unit) })
}

export const limitsOf = (limits: Limits): string => limitsText(limits.low, limits.high, limits.unit)

function wanted(params: Flag["params"]): string {
  const [low, high, unit] = [params["low"], params["high"], showUnit(text(params["unit"]))]
  if (typeof low === "number" && typeof high === "number") return `${showNumber(low)} – ${showNumber(high)} ${unit}`.trim()
  if (typeof low === "number") return `≥ ${showNumber(low)} ${unit}`.trim()
  if (typeof high === "number") return `≤ ${showNumber(high)} ${unit}`.trim()
  return ""
}

/** A number that was worked out: three digits say enough. */
const rough = (value: unknown): number => Number(Number(value ?? 0).toPrecision(3))
const percent = (value: unknown): string => showNumber(Math.round(Number(value ?? 0) * 10) / 10)

const marksText = (marks: string): string => sayIfKnown(`number.${marks}.long`, marks).toLowerCase()

const measured = (value: string | number | undefined, unit: string): string => (typeof value === "number" ? quantity(value, unit) : marksText(text(value)))

/** What a reading, count or other doing found, without its subject. */
export function foundText(entry: Entry, check: Check | undefined, plan: Plan | undefined): string {
  const f = entry.fields
  switch (entry.kind) {
    case "reading":
      return typeof f["value"] === "number" ? quantity(f["value"], text(f["unit"])) : marksText(text(f["marks"]))
    case "count":
      return `${text(String(f["hits"]))} / ${text(String(f["trials"]))}`
    case "mode":
      return sayIfKnown(`mode.${text(f["mode"])}`, text(f["mode"]))
    case "tick":
      return f["bad"] === true ? say("check.notright") : say("check.done")
    case "indicator": {
      const gate = plan?.gates.find((g) => g.id === (entry.gate ?? check?.gate))
      const indicator = gate?.indicators.find((i) => i.id === f["indicator"])
      return indicator?.states.find((s) => s.id === f["state"])?.name ?? text(f["state"])
    }
    default:
      return ""
  }
}

/** One line that says what an entry recorded. */
export function entryText(entry: Entry, n: Naming, depth = 0): string {
  const f = entry.fields
  const gate = gateName(n.plan, entry.gate)
  const what = checkName(n.plan, entry.check)
  const found = foundText(entry, entry.check === undefined ? undefined : n.plan?.checks.get(entry.check), n.plan)
  const of = (): string => {
    const target = entry.of === undefined ? undefined : n.entry(entry.of)
    return target === undefined || depth > 1 ? "…" : entryText(target, n, depth + 1)
  }
  switch (entry.kind) {
    case "tick":
      return say(f["bad"] === true ? "entry.tick.bad" : "entry.tick", { what })
    case "reading":
      return say("entry.reading", { what, value: found })
    case "indicator": {
      const indicator = n.plan?.gates.find((g) => g.id === entry.gate)?.indicators.find((i) => i.id === f["indicator"])
      return say("entry.indicator", { what: what || gate, indicator: indicator?.name ?? text(f["indicator"]), state: found })
    }
    case "mode":
      return say("entry.mode", { gate, mode: found })
    case "count":
      return say("entry.count", { what: what || gate, hits: String(f["hits"]), trials: String(f["trials"]) })
    case "fault":
      return say("entry.fault", { gate, seen: seenText(text(f["seen"])) })
    case "fixed":
      return say("entry.fixed", { of: of() })
    case "seen":
      return say("entry.seen", { of: of() })
    case "void":
      return say("entry.void", { of: of() })
    case "admitted":
      return sayIfKnown(`entry.admitted.${text(f["how"])}`, say("entry.admitted"), { of: of() })
    case "park":
      return say(f["out"] === true ? "entry.park.out" : "entry.park.back", { gate })
    case "event":
      return say("entry.event", { event: sayIfKnown(`event.${text(f["event"])}`, text(f["event"])) })
    case "take":
    case "handback":
    case "dismiss":
      return say(`entry.${entry.kind}`, { flag: subjectText(text(f["flag"]), n) })
    case "isolate":
      return say("entry.isolate", { gate })
    case "taught":
      return say("entry.taught", { topic: text(f["topic"]) })
    case "visit":
      return say("entry.visit", { state: text(f["state"]) })
    default:
      return sayIfKnown(`entry.${entry.kind}`, say("entry.other", { kind: entry.kind }))
  }
}

/** What a person wrote into an entry, if anything. */
export const entryWords = (entry: Entry): string => text(entry.fields["text"])

export const seenText = (seen: string): string => sayIfKnown(`seen.${seen}`, seen)

function subjectText(subject: string, n: Naming): string {
  const [rule = "", target = ""] = [subject.slice(0, subject.indexOf("/")), subject.slice(subject.indexOf("/") + 1)]
  const name = checkName(n.plan, target as CheckId)
  return name !== target ? name : (n.plan?.gates.find((g) => g.id === target)?.name ?? rule)
}

/** Why a flag is up: one sentence with the numbers that justify it. */
export function flagText(flag: Flag, n: Naming): string {
  const zone = n.plan?.zone ?? "UTC"
  const p = flag.params
  const what = checkName(n.plan, flag.check)
  const gate = gateName(n.plan, flag.gate)
  const instant = (key: string): string => (typeof p[key] === "number" ? when(p[key], n.now, zone) : "")
  switch (flag.rule) {
    case "overdue": {
      const last = typeof p["last"] === "number" ? say("flag.overdue.last", { time: instant("last") }) : say("flag.overdue.never")
      return say("flag.overdue", { what, due: typeof p["due"] === "number" ? until(p["due"], n.now, zone) : "", last })
    }
    case "visit": {
      const last = typeof p["last"] === "number" ? say("flag.overdue.last", { time: instant("last") }) : ""
      return say("flag.visit", { what, due: typeof p["due"] === "number" ? until(p["due"], n.now, zone) : "", last })
    }
    case "doubt": {
      const unit = text(p["unit"])
      const band = Number(p["u"] ?? 0) * Number(p["guard"] ?? 0)
      return say("flag.doubt", { what, value: measured(p["value"], unit), limits: wanted(p), band: quantity(rough(band), unit) })
    }
    case "drift": {
      const unit = text(p["unit"])
      const [from, to] = [instant("from"), instant("to")]
      const span = from !== "" && to !== "" ? say("flag.drift.between", { from, to }) : from !== "" ? say("flag.drift.after", { from }) : ""
      return say(flag.key === "flag.drift.low" ? "flag.drift.low" : "flag.drift.high", {
        what,
        value: measured(p["value"], unit),
        slope: quantity(Math.abs(rough(p["slope"])), unit),
        n: Number(p["n"] ?? 0),
        limit: measured(p["limit"], unit),
        crosses: instant("crosses"),
        span,
      })
    }
    case "shift": {
      const unit = text(p["unit"])
      const key = flag.key === "flag.shift.low" ? "flag.shift.low" : "flag.shift.high"
      return say(key, { what, value: measured(p["value"], unit), target: quantity(rough(p["target"]), unit) })
    }
    case "rate": {
      const key = flag.key === "flag.rate.low" ? "flag.rate.low" : "flag.rate.fall"
      return say(key, { gate, rate: percent(p["rate"]), read: Number(p["read"] ?? 0), passages: Number(p["passages"] ?? 0), low: percent(p["low"]), base: percent(p["base"]) })
    }
    case "repeat":
      return say("flag.repeat", { gate, seen: seenText(text(p["seen"])), n: Number(p["n"] ?? 0), since: instant("since") })
    case "quiet":
      return say(flag.subject === "quiet/site" ? "flag.quiet.site" : "flag.quiet.phone", { since: instant("since") })
    case "altered":
      return say("flag.altered", { n: Number(p["n"] ?? 0), signed: instant("signed") })
    case "limit":
    case "near": {
      const unit = text(p["unit"])
      const key = flag.rule === "near" ? "flag.near" : flag.key === "flag.limit.low" ? "flag.limit.low" : "flag.limit.high"
      return say(key, { what, value: measured(p["value"] ?? p["marks"], unit), limits: wanted(p) })
    }
    case "bad":
      return say("flag.bad", { what })
    case "disagree": {
      const unit = text(p["unit"])
      return say("flag.disagree", {
        what,
        a: measured(p["a"], unit),
        b: measured(p["b"], unit),
        by_a: n.name(text(p["by_a"])),
        by_b: n.name(text(p["by_b"])),
      })
    }
    case "manual":
      return say("flag.manual", { gate, since: instant("since") })
    case "fault":
      return say("flag.fault", { gate: gate || partName(n.plan, flag.part), seen: seenText(text(p["seen"])) })
    case "clock":
      return say("flag.clock", { minutes: Math.round(Math.abs(Number(p["offset"] ?? 0)) / 60_000) })
    case "odd":
      return say("flag.odd", { reason: sayIfKnown(`odd.${text(p["reason"])}`, text(p["reason"])) })
    default:
      return say("flag.other", { what: what || gate || flag.subject, rule: flag.rule })
  }
}
