import { canonical, type Json } from "./canonical"
import { isEntryId, type CheckId, type DeviceId, type EntryId, type GateId, type Instant, type PartId, type PersonId, type RoundId } from "./ids"

export type Marks = "below" | "between" | "above"
export type ReadingMethod = "gauge" | "thumb" | "sound" | "video" | "pole" | "level"
export type IsolateStep = "isolate" | "lock" | "vent" | "try" | "pin"
export type YardEvent = "power-cut" | "wash-down" | "frost" | "air-off" | "animals-new"

interface On {
  readonly gate?: GateId
  readonly part?: PartId
  readonly check?: CheckId
  readonly round?: RoundId
}

/** What a person can record on the phone, by kind. */
export type Doing =
  | ({ readonly kind: "tick"; readonly check: CheckId; readonly bad?: true; readonly text?: string } & On)
  | ({ readonly kind: "reading"; readonly check: CheckId; readonly value: number; readonly unit: string; readonly method?: ReadingMethod } & On)
  | ({ readonly kind: "reading"; readonly check: CheckId; readonly marks: Marks } & On)
  | ({ readonly kind: "indicator"; readonly gate: GateId; readonly indicator: string; readonly state: string } & On)
  | ({ readonly kind: "mode"; readonly gate: GateId; readonly mode: "automatic" | "manual" } & On)
  | ({ readonly kind: "count"; readonly gate: GateId; readonly hits: number; readonly trials: number } & On)
  | ({ readonly kind: "note"; readonly text?: string; readonly chips?: readonly string[] } & On)
  | ({ readonly kind: "fault"; readonly gate: GateId; readonly seen: string; readonly text?: string; readonly stops?: true } & On)
  | ({ readonly kind: "fixed"; readonly of: EntryId; readonly text?: string } & On)
  | ({ readonly kind: "park"; readonly gate: GateId; readonly out: boolean; readonly text?: string } & On)
  | ({ readonly kind: "event"; readonly event: YardEvent } & On)
  | ({ readonly kind: "isolate"; readonly gate: GateId; readonly steps: readonly IsolateStep[] } & On)
  | { readonly kind: "take"; readonly flag: string }
  | { readonly kind: "handback"; readonly flag: string }
  | { readonly kind: "dismiss"; readonly flag: string; readonly why: string }
  | { readonly kind: "void"; readonly of: EntryId; readonly why?: string }

export interface Authored {
  readonly id: EntryId
  readonly at: Instant
  /** Correction added to the phone's clock, ms; left out when 0. */
  readonly off: number
  readonly by: PersonId
  readonly dev: DeviceId
}

/** The canonical text of one entry: what is stored, sent and hashed. */
export function encodeEntry(doing: Doing, author: Authored): string {
  const { off, ...rest } = author
  const fields: Record<string, Json> = { v: 1, ...rest }
  if (off !== 0) fields["off"] = off
  for (const [key, value] of Object.entries(doing)) {
    if (value !== undefined) fields[key] = value as Json
  }
  return canonical(fields)
}

/** An entry as read back; fields that this screen does not know stay in raw. */
export interface Entry {
  readonly id: EntryId
  readonly kind: string
  readonly at: Instant
  readonly by: string
  readonly dev: string
  readonly gate?: GateId
  readonly part?: PartId
  readonly check?: CheckId
  readonly of?: EntryId
  readonly replaces?: EntryId
  readonly fields: Readonly<Record<string, unknown>>
  readonly raw: string
}

/** Reads a stored entry. What is not even an entry's outline is undefined. */
export function parseEntry(raw: string): Entry | undefined {
  let value: unknown
  try {
    value = JSON.parse(raw)
  } catch {
    return undefined
  }
  if (typeof value !== "object" || value === null || Array.isArray(value)) return undefined
  const fields = value as Record<string, unknown>
  const text = (key: string): string | undefined => (typeof fields[key] === "string" ? (fields[key] as string) : undefined)
  const [id, kind, at, by, dev] = [text("id"), text("kind"), fields["at"], text("by"), text("dev")]
  if (id === undefined || !isEntryId(id) || kind === undefined || typeof at !== "number" || by === undefined || dev === undefined) return undefined
  const [gate, part, check, of, replaces] = [text("gate"), text("part"), text("check"), text("of"), text("replaces")]
  return {
    id,
    kind,
    at,
    by,
    dev,
    ...(gate !== undefined && { gate: gate as GateId }),
    ...(part !== undefined && { part: part as PartId }),
    ...(check !== undefined && { check: check as CheckId }),
    ...(of !== undefined && isEntryId(of) && { of }),
    ...(replaces !== undefined && isEntryId(replaces) && { replaces }),
    fields,
    raw,
  }
}

/**
 * The entries that no active void or replacement with a greater id has taken
 * out. Descending ids decide, so that a void can be voided itself.
 */
export function withdrawn(entries: Iterable<Entry>): ReadonlyMap<EntryId, EntryId> {
  const sorted = [...entries].sort((a, b) => (a.id < b.id ? 1 : -1))
  const gone = new Map<EntryId, EntryId>()
  for (const entry of sorted) {
    if (gone.has(entry.id)) continue
    const target = entry.kind === "void" ? entry.of : entry.replaces
    if (target !== undefined && target < entry.id && !gone.has(target)) gone.set(target, entry.id)
  }
  return gone
}
