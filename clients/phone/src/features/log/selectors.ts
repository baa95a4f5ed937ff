import type { Entry } from "../../logbook/entry"
import type { EntryId } from "../../logbook/ids"
import type { Parcel } from "../../outbox/outbox"
import { parseEntry } from "../../logbook/entry"

/** Where an entry is: on this phone only, on the server too, waiting there to be confirmed, or not accepted. */
export type Place = { readonly is: "saved" } | { readonly is: "safe" } | { readonly is: "held" | "refused"; readonly code: string; readonly reason: string }

export interface Line {
  readonly entry: Entry
  readonly place: Place
  readonly withdrawn: boolean
}

/** The newest entries first, those that did not come into the log among them where they would stand. */
export function logLines(entries: ReadonlyMap<EntryId, Entry>, parcels: readonly Parcel[], withdrawn: ReadonlyMap<EntryId, EntryId>, most: number): readonly Line[] {
  const parcel = new Map(parcels.map((p) => [p.id, p]))
  const all = [...entries.values()]
  for (const p of parcels) {
    if (p.state === "waiting" || entries.has(p.id)) continue
    const entry = parseEntry(p.raw)
    if (entry !== undefined) all.push(entry)
  }
  all.sort((a, b) => b.at - a.at || (a.id < b.id ? 1 : -1))
  return all.slice(0, most).map((entry): Line => {
    const p = parcel.get(entry.id)
    const place: Place = p === undefined ? { is: "safe" } : p.state === "waiting" ? { is: "saved" } : { is: p.state, code: p.code, reason: p.reason }
    return { entry, place, withdrawn: withdrawn.has(entry.id) }
  })
}
