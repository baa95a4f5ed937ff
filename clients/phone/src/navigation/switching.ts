import type { PersonId } from "../logbook/ids"
import { session } from "../session/session.svelte"
import { navigation } from "./navigation.svelte"

/** A tap on somebody's tile: they record from now on, after their PIN if they have one. */
export function choosePerson(person: PersonId): void {
  const already = person === session.person?.id
  if (!already && session.lock.has(person)) navigation.open({ is: "pin", person })
  else if (session.mustHavePin(person)) navigation.open({ is: "pin set", person })
  else {
    if (!already) void session.choosePerson(person)
    navigation.close()
  }
}

/** Something half written is on the screen: locking would throw it away. */
export function somethingTyped(): boolean {
  const fields = document.querySelectorAll<HTMLInputElement | HTMLTextAreaElement>("input[type=text], input[type=password], input[type=date], textarea")
  return [...fields].some((field) => field.value !== "") || document.querySelector("[data-typed]") !== null
}
