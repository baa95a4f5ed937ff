import { say } from "../wording/say"
import type { Naming } from "../wording/entry"
import { session } from "./session.svelte"

/** A person's name as far as this phone knows it; names may be erased, ids stay. */
export function personName(person: string): string {
  if (person === "server") return say("person.server")
  return session.names.get(person) ?? session.device?.people.find((p) => p.id === person)?.name ?? say("person.someone", { id: person })
}

/** What sentences need, at this moment. */
export const naming = (): Naming => ({
  plan: session.plan,
  name: personName,
  entry: (id) => session.entries.get(id),
  now: session.now,
})
