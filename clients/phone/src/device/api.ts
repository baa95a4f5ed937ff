import { isEntryId, type DeviceId, type EntryId, type GateId, type Instant, type PersonId, type SiteId } from "../logbook/ids"

// The HTTP side of the server, read strictly: what does not have the expected
// form is a problem here and does not travel on into the screens.

export type Role = "crew" | "manager" | "contractor" | "technician" | "viewer"

export interface Person {
  readonly id: PersonId
  readonly name: string
  readonly role: Role
  readonly from?: Instant
  /** When their access ends or has ended, if it does. */
  readonly until?: Instant
  /** May make owners and see what happened. */
  readonly owner?: boolean
  /** The gates that the access is limited to; none = all. */
  readonly gates?: readonly GateId[]
}
/** A device of the site, as its managers see it. */
export interface Phone {
  readonly id: DeviceId
  readonly label: string
  readonly created: Instant
  readonly seen: Instant | undefined
  readonly revoked: Instant | undefined
  readonly people: readonly PersonId[]
}
/** What a new invitation gives: role and name, or the known person for whom it is. */
export interface Inviting {
  readonly role: Role
  readonly name?: string
  readonly person?: PersonId
  readonly gates?: readonly GateId[]
  readonly until?: Instant
  /** A manager who is an owner, too; only owners make one. */
  readonly owner?: boolean
}
/** An invitation as it is told once. */
export interface Invited {
  readonly link: string
  readonly expires: Instant
  /** A code to be typed, which holds for minutes only. */
  readonly short: string
  readonly shortExpires: Instant
}
export interface Site {
  readonly id: SiteId
  readonly slug: string
  readonly name: string
  readonly zone: string
}
export interface Invitation {
  readonly site: Omit<Site, "zone">
  readonly role: Role
  readonly name?: string
}
export interface Joined {
  readonly site: Site
  readonly device: DeviceId
  readonly person: Person
}
export interface Token {
  readonly text: string
  /** On the phone's own clock. */
  readonly until: Instant
  readonly serverTime: Instant
  readonly drain: boolean
}

/** A person who has signed in on this device, and the token that says so. */
export interface SignedIn {
  readonly text: string
  readonly person: PersonId
  /** On the phone's own clock. */
  readonly until: Instant
}

/** What a manager decided about something that had been refused. */
export interface Decision {
  readonly what: "accept" | "discard"
  readonly by: string
  readonly at: Instant
  readonly why: string
}
/** One thing that the server refused and keeps for a manager. */
export interface RefusedItem {
  readonly id: string
  readonly document: string
  readonly phone: string
  readonly person: string
  readonly code: string
  readonly reason: string
  readonly at: Instant
  /** The entries as they came. */
  readonly entries: readonly string[]
  /** Why it cannot be accepted; empty when it can. */
  readonly problem: string
  /** An acceptance was begun and not finished. */
  readonly started: boolean
  readonly decision: Decision | undefined
}

/** The server answered, and said no. */
export class ApiProblem extends Error {
  override name = "ApiProblem"
  constructor(
    readonly status: number,
    readonly code: string,
    readonly detail: string,
  ) {
    super(detail)
  }
}

/** The server could not be reached at all. */
export class Unreachable extends Error {
  override name = "Unreachable"
}

type Fields = Readonly<Record<string, unknown>>

function fields(value: unknown, what: string): Fields {
  if (typeof value !== "object" || value === null || Array.isArray(value)) throw new ApiProblem(0, "form", `the server's ${what} is not understood`)
  return value as Fields
}
function text(from: Fields, key: string): string {
  const value = from[key]
  if (typeof value !== "string") throw new ApiProblem(0, "form", `the server's answer lacks ${key}`)
  return value
}
function number(from: Fields, key: string): number {
  const value = from[key]
  if (typeof value !== "number") throw new ApiProblem(0, "form", `the server's answer lacks ${key}`)
  return value
}
const roles: readonly string[] = ["crew", "manager", "contractor", "technician", "viewer"]
const role = (from: Fields): Role => {
  const value = text(from, "role")
  // A role that this version does not know may read and no more.
  return roles.includes(value) ? (value as Role) : "viewer"
}
const site = (value: unknown): Site => {
  const f = fields(value, "site")
  return { id: text(f, "id") as SiteId, slug: text(f, "slug"), name: text(f, "name"), zone: typeof f["zone"] === "string" ? f["zone"] : "UTC" }
}
const instant = (from: Fields, key: string): Instant | undefined => (typeof from[key] === "number" && from[key] > 0 ? from[key] : undefined)
const strings = (value: unknown): readonly string[] => (Array.isArray(value) ? value.filter((item): item is string => typeof item === "string") : [])
const person = (value: unknown): Person => {
  const f = fields(value, "person")
  const [from, until, gates] = [instant(f, "from"), instant(f, "until"), strings(f["gates"]) as readonly GateId[]]
  return {
    id: text(f, "id") as PersonId,
    name: typeof f["name"] === "string" ? f["name"] : "",
    role: role(f),
    ...(from !== undefined && { from }),
    ...(until !== undefined && { until }),
    ...(f["owner"] === true && { owner: true }),
    ...(gates.length > 0 && { gates }),
  }
}
const phones = (value: unknown): readonly Phone[] =>
  list(fields(value, "list of phones")["devices"], "list of phones").map((f) => ({
    id: text(f, "id") as DeviceId,
    label: string(f, "label"),
    created: number(f, "created"),
    seen: instant(f, "last_seen"),
    revoked: instant(f, "revoked"),
    people: strings(f["people"]) as readonly PersonId[],
  }))

/** A person who was given access again is listed once for each time; the latest comes last and stands. */
const oneEach = (value: unknown): readonly Person[] => [...new Map(list(value, "list of people").map((p) => [text(p, "id"), person(p)])).values()]

const string = (from: Fields, key: string): string => (typeof from[key] === "string" ? from[key] : "")
const list = (value: unknown, what: string): readonly Fields[] => (Array.isArray(value) ? value : []).map((item: unknown) => fields(item, what))
const decision = (f: Fields): Decision | undefined => {
  const what = string(f, "decision")
  if (what !== "accept" && what !== "discard") return undefined
  return { what, by: string(f, "decided_by"), at: number(f, "decided_at"), why: string(f, "why") }
}

const codes = (value: unknown): readonly string[] => strings(fields(value, "answer")["recovery"])
const signedIn = (value: unknown, clock: Instant): SignedIn => {
  const f = fields(value, "token")
  return { text: text(f, "access_token"), person: text(f, "person") as PersonId, until: clock + number(f, "expires_in") * 1000 }
}

export class Api {
  readonly #origin: string
  constructor(origin: string) {
    this.#origin = origin
  }

  async #ask(path: string, options: { readonly body?: unknown; readonly token?: string; readonly signal?: AbortSignal } = {}): Promise<unknown> {
    const headers: Record<string, string> = { accept: "application/json" }
    if (options.body !== undefined) headers["content-type"] = "application/json"
    if (options.token !== undefined) headers["authorization"] = `Bearer ${options.token}`
    let response: Response
    try {
      response = await fetch(this.#origin + path, {
        method: options.body === undefined ? "GET" : "POST",
        headers,
        ...(options.body !== undefined && { body: JSON.stringify(options.body) }),
        cache: "no-store",
        credentials: "omit",
        signal: options.signal ?? AbortSignal.timeout(20_000),
      })
    } catch {
      throw new Unreachable("the server cannot be reached")
    }
    const answer: unknown = await response.json().catch(() => undefined)
    if (response.ok) return answer
    const problem = typeof answer === "object" && answer !== null ? (answer as Fields) : {}
    const said = (key: string): string | undefined => (typeof problem[key] === "string" ? (problem[key] as string) : undefined)
    throw new ApiProblem(response.status, said("code") ?? "", said("detail") ?? said("title") ?? `the server said no (${response.status})`)
  }

  /** What an invitation is for. Looking does not spend it. */
  async look(code: string): Promise<Invitation> {
    const f = fields(await this.#ask("/api/v1/invitations/look", { body: { code } }), "invitation")
    const s = fields(f["site"], "site")
    return {
      site: { id: text(s, "id") as SiteId, slug: text(s, "slug"), name: text(s, "name") },
      role: role(f),
      ...(typeof f["name"] === "string" && { name: f["name"] }),
    }
  }

  /** Spends an invitation: enrols a new device, or with a token adds a person to the one enrolled. */
  async join(code: string, name: string, as: { readonly publicKey: string; readonly label: string } | { readonly token: string }): Promise<Joined> {
    const body = "token" in as ? { code, name } : { code, name, device: { public_key: as.publicKey, label: as.label } }
    const f = fields(await this.#ask("/api/v1/join", { body, ...("token" in as && { token: as.token }) }), "answer")
    return {
      site: site(f["site"]),
      device: text(f, "device") as DeviceId,
      person: { id: text(f, "person") as PersonId, name: typeof f["name"] === "string" ? f["name"] : name, role: role(f) },
    }
  }

  async challenge(device: DeviceId): Promise<string> {
    return text(fields(await this.#ask("/api/v1/auth/challenge", { body: { device } }), "challenge"), "challenge")
  }

  async token(device: DeviceId, challenge: string, signature: string, clock: Instant): Promise<Token> {
    const f = fields(await this.#ask("/api/v1/auth/token", { body: { device, challenge, signature, clock } }), "token")
    return {
      text: text(f, "access_token"),
      until: clock + number(f, "expires_in") * 1000,
      serverTime: number(f, "server_time"),
      drain: f["drain"] === true,
    }
  }

  /** By what a manager on this device can sign in. */
  async ways(person: PersonId, token: string): Promise<{ readonly passkeys: number; readonly passphrase: boolean; readonly recovery: number; readonly setup: boolean }> {
    const f = fields(await this.#ask(`/api/v1/auth/person/${person}`, { token }), "answer")
    const w = fields(f["ways"], "ways in")
    return { passkeys: number(w, "passkeys"), passphrase: w["passphrase"] === true, recovery: number(w, "recovery"), setup: f["needs_setup"] === true }
  }

  /** Gives recovery codes with the first way in. */
  async setPassphrase(person: PersonId, passphrase: string, token: string): Promise<readonly string[]> {
    return codes(await this.#ask("/api/v1/auth/passphrase/set", { body: { person, passphrase }, token }))
  }

  async byPassphrase(person: PersonId, passphrase: string, token: string, clock: Instant): Promise<SignedIn> {
    return signedIn(await this.#ask("/api/v1/auth/passphrase/login", { body: { person, passphrase }, token }), clock)
  }

  async byRecovery(person: PersonId, code: string, token: string, clock: Instant): Promise<SignedIn> {
    return signedIn(await this.#ask("/api/v1/auth/recovery/login", { body: { person, code }, token }), clock)
  }

  async beginPasskey(what: "register" | "login", person: PersonId, token: string): Promise<{ readonly ceremony: string; readonly options: Fields }> {
    const f = fields(await this.#ask(`/api/v1/auth/passkey/${what}/begin`, { body: { person }, token }), "answer")
    return { ceremony: text(f, "ceremony"), options: fields(f["options"], "options") }
  }

  async finishPasskey(ceremony: string, credential: unknown, label: string, token: string): Promise<readonly string[]> {
    return codes(await this.#ask("/api/v1/auth/passkey/register/finish", { body: { ceremony, credential, label }, token }))
  }

  async finishLogin(ceremony: string, credential: unknown, token: string, clock: Instant): Promise<SignedIn> {
    return signedIn(await this.#ask("/api/v1/auth/passkey/login/finish", { body: { ceremony, credential }, token }), clock)
  }

  async me(token: string): Promise<{ readonly site: Site; readonly people: readonly Person[] }> {
    const f = fields(await this.#ask("/api/v1/me", { token }), "answer")
    return { site: site(f["site"]), people: oneEach(f["people"]) }
  }

  async people(siteId: SiteId, token: string): Promise<readonly Person[]> {
    const f = fields(await this.#ask(`/api/v1/sites/${siteId}/people`, { token }), "list of people")
    return oneEach(f["people"])
  }

  /** The address of a socket, good for one connection within half a minute. */
  async ticket(siteId: SiteId, token: string): Promise<string> {
    const f = fields(await this.#ask(`/api/v1/sites/${siteId}/tickets`, { body: {}, token }), "ticket")
    const url = new URL(text(f, "socket"), this.#origin)
    url.protocol = url.protocol === "https:" ? "wss:" : "ws:"
    return url.href
  }

  async drain(siteId: SiteId, entries: readonly string[], token: string): Promise<number> {
    return number(fields(await this.#ask(`/api/v1/sites/${siteId}/drain`, { body: { entries }, token }), "answer"), "kept")
  }

  // What managers do, with the token of one who has signed in.

  /** Makes an invitation; its codes are told now and never again. */
  async invite(siteId: SiteId, what: Inviting, token: string): Promise<Invited> {
    const f = fields(await this.#ask(`/api/v1/sites/${siteId}/invitations`, { body: what, token }), "invitation")
    return { link: text(f, "link"), expires: number(f, "expires"), short: text(f, "short"), shortExpires: number(f, "short_expires") }
  }

  async endAccess(siteId: SiteId, who: PersonId, token: string): Promise<void> {
    await this.#ask(`/api/v1/sites/${siteId}/people/${who}/end`, { body: {}, token })
  }

  /** Takes the name of somebody whose access has ended out of the directory. */
  async erase(siteId: SiteId, who: PersonId, token: string): Promise<void> {
    await this.#ask(`/api/v1/sites/${siteId}/people/${who}/erase`, { body: {}, token })
  }

  async phones(siteId: SiteId, token: string): Promise<readonly Phone[]> {
    return phones(await this.#ask(`/api/v1/sites/${siteId}/devices`, { token }))
  }

  /** Ends the access of a phone; gives the phones as they are then. */
  async revoke(siteId: SiteId, phone: DeviceId, token: string): Promise<readonly Phone[]> {
    return phones(await this.#ask(`/api/v1/sites/${siteId}/devices/${phone}/revoke`, { body: {}, token }))
  }

  /** What was refused at the site: what waits for a decision, or what was decided. For managers. */
  async refused(siteId: SiteId, decided: boolean, token: string): Promise<readonly RefusedItem[]> {
    const f = fields(await this.#ask(`/api/v1/sites/${siteId}/quarantine${decided ? "?decided=true" : ""}`, { token }), "list")
    return list(f["items"], "list").map((item) => ({
      id: text(item, "id"),
      document: string(item, "document"),
      phone: string(item, "device_label"),
      person: string(item, "person"),
      code: text(item, "code"),
      reason: text(item, "reason"),
      at: number(item, "at"),
      entries: list(item["entries"], "list").map((entry) => text(entry, "raw")),
      problem: string(item, "problem"),
      started: item["started"] === true,
      decision: decision(item),
    }))
  }

  /** How much that was refused waits for a manager; a device with a manager on it may ask. */
  async waiting(siteId: SiteId, token: string): Promise<number> {
    return number(fields(await this.#ask(`/api/v1/sites/${siteId}/quarantine-waiting`, { token }), "answer"), "waiting")
  }

  /** Accepts a refused item, or discards it; gives what is decided now, which may be what another manager decided. */
  async decide(siteId: SiteId, item: string, choice: { readonly decision: "accept" } | { readonly decision: "discard"; readonly why: string }, by: PersonId, token: string): Promise<void> {
    await this.#ask(`/api/v1/sites/${siteId}/quarantine/${encodeURIComponent(item)}`, { body: { ...choice, by }, token })
  }

  /** What managers decided about entries that this device had brought. */
  async decisions(siteId: SiteId, token: string): Promise<ReadonlyMap<EntryId, Decision>> {
    const f = fields(await this.#ask(`/api/v1/sites/${siteId}/decisions`, { token }), "list of decisions")
    const made = new Map<EntryId, Decision>()
    for (const item of list(f["decisions"], "list of decisions")) {
      const what = decision(item)
      // The latest comes first and stands.
      for (const id of Array.isArray(item["entries"]) ? item["entries"] : []) if (what !== undefined && typeof id === "string" && isEntryId(id) && !made.has(id)) made.set(id, what)
    }
    return made
  }
}
