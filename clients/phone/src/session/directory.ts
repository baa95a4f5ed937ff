import type { Invited, Inviting, Person, Phone } from "../device/api"
import type { DeviceId, PersonId } from "../logbook/ids"
import { session } from "./session.svelte"

// The people and phones of the site, for a manager who has signed in. Each of
// these throws what the server says when it says no.

export const everybody = (): Promise<readonly Person[]> => session.asManager((api, site, token) => api.people(site, token))

export const invite = (what: Inviting): Promise<Invited> => session.asManager((api, site, token) => api.invite(site, what, token))

export async function endAccess(person: PersonId): Promise<void> {
  await session.asManager((api, site, token) => api.endAccess(site, person, token))
  void session.refreshPeople()
}

export async function eraseName(person: PersonId): Promise<void> {
  await session.asManager((api, site, token) => api.erase(site, person, token))
  void session.refreshPeople()
}

export const phonesHere = (): Promise<readonly Phone[]> => session.asManager((api, site, token) => api.phones(site, token))

export const revokePhone = (phone: DeviceId): Promise<readonly Phone[]> => session.asManager((api, site, token) => api.revoke(site, phone, token))
