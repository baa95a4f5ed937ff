import type { Entry } from "../logbook/entry"
import { withdrawn } from "../logbook/entry"
import type { CheckId, EntryId, GateId, Instant } from "../logbook/ids"

// What the log says of gates and checks right now, for showing only: what is
// due and what is a flag, the rules alone decide.

export interface GateStanding {
  readonly mode: "automatic" | "manual" | undefined
  readonly modeSince: Instant | undefined
  readonly parked: boolean
}

export interface Standing {
  readonly gates: ReadonlyMap<GateId, GateStanding>
  readonly last: ReadonlyMap<CheckId, Entry>
  readonly withdrawn: ReadonlyMap<EntryId, EntryId>
}

const doings: ReadonlySet<string> = new Set(["tick", "reading", "indicator", "mode", "count"])

export function standing(entries: Iterable<Entry>, now: Instant): Standing {
  const all = [...entries]
  const gone = withdrawn(all.filter((e) => e.kind === "void" || e.replaces !== undefined))
  const gates = new Map<GateId, { mode: GateStanding["mode"]; modeSince: Instant | undefined; parked: boolean }>()
  const last = new Map<CheckId, Entry>()
  const order = all.filter((e) => e.at <= now && !gone.has(e.id)).sort((a, b) => a.at - b.at || (a.id < b.id ? -1 : 1))
  for (const entry of order) {
    if (entry.check !== undefined && doings.has(entry.kind)) last.set(entry.check, entry)
    if (entry.gate === undefined) continue
    const gate = gates.get(entry.gate) ?? { mode: undefined, modeSince: undefined, parked: false }
    if (entry.kind === "mode") {
      const mode = entry.fields["mode"] === "manual" ? "manual" : "automatic"
      if (mode !== gate.mode) gate.modeSince = entry.at
      gate.mode = mode
    } else if (entry.kind === "park") {
      gate.parked = entry.fields["out"] === true
    }
    gates.set(entry.gate, gate)
  }
  return { gates, last, withdrawn: gone }
}
