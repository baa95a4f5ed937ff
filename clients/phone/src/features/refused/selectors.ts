import type { Decision, RefusedItem } from "../../device/api"
import { parseEntry, type Entry } from "../../logbook/entry"
import type { EntryId } from "../../logbook/ids"
import { turnedAway, type Parcel, type TurnedAway } from "../../outbox/outbox"

/** An entry of this phone that did not come into the log. */
export interface TurnedAwayLine {
  readonly parcel: TurnedAway
  /** Absent when this version cannot read it. */
  readonly entry: Entry | undefined
  readonly decision: Decision | undefined
}

/** Two clocks that were set to each other may still differ by this much (ms). */
const clocksDiffer = 60_000

/** The newest first. */
export function turnedAwayHere(parcels: readonly Parcel[], decisions: ReadonlyMap<EntryId, Decision>): readonly TurnedAwayLine[] {
  return parcels
    .filter(turnedAway)
    .sort((a, b) => (a.id < b.id ? 1 : -1))
    .map((parcel) => {
      const decision = decisions.get(parcel.id)
      // One from before it was sent once more is about the time before.
      const stands = decision !== undefined && decision.at >= parcel.refusedAt - clocksDiffer
      return { parcel, entry: parseEntry(parcel.raw), decision: stands ? decision : undefined }
    })
}

/** What stands in a refused item: an entry each, or its text when it cannot be read. */
export const entriesOf = (item: RefusedItem): readonly { readonly raw: string; readonly entry: Entry | undefined }[] =>
  item.entries.map((raw) => ({ raw, entry: parseEntry(raw) }))
