import type { CheckId, GateId, Instant, PartId, RoundId } from "./ids"

// The plan as the rules module projects it: maps of items whose fields are
// scalars. Facts of several fields are one JSON text each and are opened here.

export type CheckKind = "look" | "number" | "mode" | "indicator" | "count" | "visit"
export type Source = "c" | "m" | "e" | "law"

export interface IndicatorState {
  readonly id: string
  readonly name: string
  readonly means: string
  readonly ok: boolean
}
export interface Indicator {
  readonly id: string
  readonly name: string
  readonly states: readonly IndicatorState[]
}
export interface Gate {
  readonly id: GateId
  readonly name: string
  readonly order: number
  readonly drive: string
  readonly indicators: readonly Indicator[]
  readonly retired?: Instant
}
export interface Part {
  readonly id: PartId
  readonly gate: GateId
  readonly type: string
  readonly name: string
  /** Its place at the gate, m: x along the race with the animals, y to the left of it. */
  readonly at?: { readonly x: number; readonly y: number }
  readonly order: number
  readonly retired?: Instant
}
export interface Limits {
  readonly from: Instant
  readonly unit: string
  readonly low?: number
  readonly high?: number
  readonly warn?: number
  readonly marks: boolean
}
export interface Check {
  readonly id: CheckId
  readonly gate: GateId
  readonly part?: PartId
  readonly name: string
  readonly kind: CheckKind
  readonly limits: readonly Limits[]
  readonly minutes: number
  readonly how: string
  readonly cautions: readonly number[]
  readonly source: Source
  readonly every?: string
  readonly order: number
  readonly retired?: Instant
}
export interface Round {
  readonly id: RoundId
  readonly name: string
  readonly checks: readonly CheckId[]
  readonly order: number
}
export interface Plan {
  readonly name: string
  readonly zone: string
  readonly gates: readonly Gate[]
  readonly parts: ReadonlyMap<PartId, Part>
  readonly checks: ReadonlyMap<CheckId, Check>
  readonly rounds: readonly Round[]
  /** Where each check stands in the walk: the first round that names it. */
  readonly walk: ReadonlyMap<CheckId, number>
}

type Fields = Readonly<Record<string, unknown>>

const isFields = (value: unknown): value is Fields => typeof value === "object" && value !== null && !Array.isArray(value)
const text = (fields: Fields, key: string): string => (typeof fields[key] === "string" ? (fields[key] as string) : "")
const number = (fields: Fields, key: string): number | undefined => (typeof fields[key] === "number" ? (fields[key] as number) : undefined)

function opened(fields: Fields, key: string): readonly unknown[] {
  try {
    const value: unknown = JSON.parse(text(fields, key) || "[]")
    return Array.isArray(value) ? value : []
  } catch {
    return []
  }
}

function items<Id extends string>(root: Fields, collection: string): [Id, Fields][] {
  const map = root[collection]
  if (!isFields(map)) return []
  return Object.entries(map).filter((pair): pair is [Id, Fields] => isFields(pair[1]))
}

function place(fields: Fields): { readonly x: number; readonly y: number } | undefined {
  try {
    const value: unknown = JSON.parse(text(fields, "pos") || "null")
    if (!isFields(value)) return undefined
    const [x, y] = [number(value, "x"), number(value, "y")]
    return x === undefined || y === undefined ? undefined : { x, y }
  } catch {
    return undefined
  }
}

const optional = <Key extends string, Value>(key: Key, value: Value | undefined): { readonly [K in Key]?: Value } =>
  (value === undefined ? {} : { [key]: value }) as { readonly [K in Key]?: Value }

function parseIndicator(value: unknown): Indicator | undefined {
  if (!isFields(value)) return undefined
  const states = Array.isArray(value["states"]) ? value["states"].filter(isFields) : []
  return {
    id: text(value, "id"),
    name: text(value, "name"),
    states: states.map((s) => ({ id: text(s, "id"), name: text(s, "name"), means: text(s, "means"), ok: s["ok"] === true })),
  }
}

function parseLimits(value: unknown): Limits | undefined {
  if (!isFields(value)) return undefined
  return {
    from: number(value, "from") ?? 0,
    unit: text(value, "unit"),
    ...optional("low", number(value, "low")),
    ...optional("high", number(value, "high")),
    ...optional("warn", number(value, "warn")),
    marks: value["marks"] === true,
  }
}

const present = <T>(value: T | undefined): value is T => value !== undefined
const kinds: readonly string[] = ["look", "number", "mode", "indicator", "count", "visit"]
const sources: readonly string[] = ["c", "m", "e", "law"]

/** Opens a plan projection; items without what a screen needs are left out. */
export function parsePlan(json: string): Plan | undefined {
  let root: unknown
  try {
    root = JSON.parse(json)
  } catch {
    return undefined
  }
  if (!isFields(root)) return undefined
  const site = isFields(root["site"]) ? root["site"] : {}

  const gates = items<GateId>(root, "gates")
    .map(([id, f]): Gate => ({
      id,
      name: text(f, "name") || id,
      order: number(f, "order") ?? 0,
      drive: text(f, "drive"),
      indicators: opened(f, "indicators").map(parseIndicator).filter(present),
      ...optional("retired", number(f, "retired")),
    }))
    .sort((a, b) => a.order - b.order || (a.id < b.id ? -1 : 1))

  const parts = new Map(
    items<PartId>(root, "parts").map(([id, f]): [PartId, Part] => [
      id,
      {
        id,
        gate: text(f, "gate") as GateId,
        type: text(f, "type"),
        name: text(f, "name") || id,
        ...optional("at", place(f)),
        order: number(f, "order") ?? 0,
        ...optional("retired", number(f, "retired")),
      },
    ]),
  )

  const checks = new Map<CheckId, Check>()
  for (const [id, f] of items<CheckId>(root, "checks")) {
    const kind = text(f, "kind")
    if (!kinds.includes(kind)) continue
    const cadences = opened(f, "cadence").filter(isFields)
    const newest = cadences[cadences.length - 1]
    const source = text(f, "source")
    checks.set(id, {
      id,
      gate: text(f, "gate") as GateId,
      ...optional("part", text(f, "part") === "" ? undefined : (text(f, "part") as PartId)),
      name: text(f, "name") || id,
      kind: kind as CheckKind,
      limits: opened(f, "limits").map(parseLimits).filter(present),
      minutes: number(f, "minutes") ?? 0,
      how: text(f, "how"),
      cautions: opened(f, "cautions").filter((n): n is number => typeof n === "number"),
      source: sources.includes(source) ? (source as Source) : "c",
      ...optional("every", newest === undefined ? undefined : text(newest, "every")),
      order: number(f, "order") ?? 0,
      ...optional("retired", number(f, "retired")),
    })
  }

  const rounds = items<RoundId>(root, "rounds")
    .map(([id, f]): Round & { readonly retired?: Instant } => ({
      id,
      name: text(f, "name") || id,
      checks: opened(f, "checks").filter((c): c is CheckId => typeof c === "string"),
      order: number(f, "order") ?? 0,
      ...optional("retired", number(f, "retired")),
    }))
    .filter((round) => round.retired === undefined)
    .sort((a, b) => a.order - b.order || (a.id < b.id ? -1 : 1))

  const walk = new Map<CheckId, number>()
  for (const round of rounds) for (const check of round.checks) if (!walk.has(check)) walk.set(check, walk.size)
  const rest = [...checks.values()].filter((c) => !walk.has(c.id)).sort((a, b) => a.order - b.order || (a.id < b.id ? -1 : 1))
  for (const check of rest) walk.set(check.id, walk.size)

  return { name: text(site, "name"), zone: text(site, "zone") || "UTC", gates, parts, checks, rounds, walk }
}

/** The limits in force at an instant: the last period that had begun. */
export function limitsAt(check: Check, at: Instant): Limits | undefined {
  let found: Limits | undefined
  for (const period of check.limits) if (period.from <= at) found = period
  return found
}
