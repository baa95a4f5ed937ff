import type { CheckId, EntryId, GateId, Instant, PartId } from "../logbook/ids"

// What the rules say, as parsed from their JSON. The screens read due and
// flags from here and decide nothing of the kind themselves.

export type DueState = "parked" | "overdue" | "late" | "done" | "due" | "open"
export type Severity = "act" | "watch" | "know"

export interface Due {
  readonly check: CheckId
  readonly gate: GateId
  readonly part?: PartId
  readonly why: "cadence" | "recheck"
  readonly state: DueState
  readonly opens?: Instant
  readonly due?: Instant
  readonly late?: Instant
  readonly last?: { readonly at: Instant; readonly by: string; readonly entry: EntryId }
  readonly missed?: number
}
export interface Act {
  readonly by: string
  readonly at: Instant
  readonly entry: EntryId
  readonly why?: string
}
export interface Flag {
  readonly subject: string
  readonly rule: string
  readonly severity: Severity
  readonly gate?: GateId
  readonly part?: PartId
  readonly check?: CheckId
  readonly raised: Instant
  readonly cleared?: Instant
  readonly key: string
  readonly params: Readonly<Record<string, string | number>>
  readonly entries: readonly EntryId[]
  /** The subject of the flag that already tells of the same cause. */
  readonly under?: string
  readonly taken?: Act
  readonly dismissed?: Act
}
export interface Completion {
  readonly check: CheckId
  readonly n: number
  readonly done: number
  readonly late: number
  readonly missed: number
}
export interface RulesOutput {
  readonly now: Instant
  readonly wake?: Instant
  readonly due: readonly Due[]
  readonly flags: readonly Flag[]
  readonly completion: readonly Completion[]
}

/** Opens the rules' output. It comes from our own module, so its shape is trusted once its outline is there. */
export function parseOutput(json: string): RulesOutput {
  const root = JSON.parse(json) as {
    basis: { now: Instant }
    wake?: Instant
    due: readonly Due[]
    flags: readonly Flag[]
    completion: readonly Completion[]
  }
  if (typeof root.basis?.now !== "number" || !Array.isArray(root.due) || !Array.isArray(root.flags)) {
    throw new TypeError("the rules answered in a form this version does not know")
  }
  return {
    now: root.basis.now,
    ...(root.wake !== undefined && { wake: root.wake }),
    due: root.due,
    flags: root.flags,
    completion: root.completion ?? [],
  }
}
