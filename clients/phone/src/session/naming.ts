import type { Entry } from "../logbook/entry"
import { say, sayIfKnown } from "../wording/say"
import type { Naming } from "../wording/entry"
import { session } from "./session.svelte"

/** A person's name as far as this phone knows it; names may be erased, ids stay. */
export function personName(person: string): string {
  if (person === "server") return say("person.server")
  return session.names.get(person) || session.device?.people.find((p) => p.id === person)?.name || say("person.someone", { id: person })
}

/** A reason of the server with people's names in the place of their ids. */
export const withNames = (reason: string): string => reason.replace(/\bp[0-9a-hjkmnp-tv-z]{9}\b/g, (id) => session.names.get(id) ?? id)

/** Why an entry did not come into the log, in words for the person who recorded it. */
export function reasonText(entry: Entry | undefined, code: string, reason: string): string {
  const words = { name: entry === undefined ? "" : personName(entry.by) }
  const kind = entry === undefined ? "" : `refused.why.${code}.${entry.kind}`
  return sayIfKnown(kind, sayIfKnown(`refused.why.${code}`, withNames(reason), words), words)
}

/** What sentences need, at this moment. */
export const naming = (): Naming => ({
  plan: session.plan,
  name: personName,
  entry: (id) => session.entries.get(id),
  now: session.now,
})
