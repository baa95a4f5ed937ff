import { initializeWasm } from "@automerge/automerge-repo/slim"
import automergeUrl from "@automerge/automerge/automerge.wasm?url"
import rulesUrl from "../generated/rules.wasm?url"
import { Access } from "../device/access"
import { Api, ApiProblem, Unreachable, type Decision, type Invitation, type Person, type RefusedItem, type Token } from "../device/api"
import { Devices, type Device } from "../device/device"
import { base64url } from "../device/keys"
import { SignIn, type Ways } from "../device/signin"
import { Documents } from "../documents/documents"
import { DocumentStore } from "../documents/store"
import { encodeEntry, parseEntry, type Doing, type Entry } from "../logbook/entry"
import { EntryIds, monthOf, type DocName, type EntryId, type Instant, type PersonId, type SiteId } from "../logbook/ids"
import { parsePlan, type Plan } from "../logbook/plan"
import type { LinkState } from "../network/link"
import { Outbox, type Parcel } from "../outbox/outbox"
import { RulesClient } from "../rules/client"
import { parseOutput, type RulesOutput } from "../rules/output"
import { Clock } from "./clock"
import { backTo, Lock, mustHavePin, type Tried } from "./lock.svelte"
import { standing } from "./standing"

/** Where the app stands; the screens show one of these. */
export type Phase =
  | { readonly is: "starting" }
  | { readonly is: "not joined" }
  | { readonly is: "open elsewhere" }
  | { readonly is: "broken"; readonly what: string }
  | { readonly is: "ready" }

/** What a manager signs in with. */
export type WayIn = { readonly passkey: true } | { readonly passphrase: string } | { readonly recovery: string }

/** Closed months as the rules saved them, and the heads up to which that goes. */
interface Remembered {
  readonly state: Uint8Array
  readonly heads: ReadonlyMap<DocName, readonly string[]>
}

/**
 * All that the screens read, and the only hand that writes. Facts come in from
 * outbox, documents and rules; screens read the fields and call the actions.
 */
export class Session {
  phase = $state.raw<Phase>({ is: "starting" })
  device = $state.raw<Device | undefined>()
  plan = $state.raw<Plan | undefined>()
  rules = $state.raw<RulesOutput | undefined>()
  rulesTrouble = $state.raw<string | undefined>()
  parcels = $state.raw<readonly Parcel[]>([])
  link = $state<LinkState>("offline")
  /** When the server last had everything from this phone. */
  safeAt = $state<Instant | undefined>()
  /** Corrected time, refreshed often enough for ages in minutes. */
  now = $state<Instant>(Date.now())
  names = $state.raw<ReadonlyMap<string, string>>(new Map())
  persisted = $state.raw<boolean | undefined>()
  /** What managers decided about entries of this phone that were not accepted. */
  decisions = $state.raw<ReadonlyMap<EntryId, Decision>>(new Map())
  /** How many refused things wait at the site for a manager; known to managers with a connection. */
  toDecide = $state<number | undefined>()
  /** The manager who has signed in on this phone, for ten minutes. */
  signedIn = $state<PersonId | undefined>()
  /** Grows with every entry: what reads entries reads this first. */
  entriesSeen = $state(0)

  /** The rules' output as text, and their plan: for tests and for comparison with the server. */
  rulesText = ""
  planText = ""

  readonly #entries = new Map<EntryId, Entry>()
  readonly #ids = new EntryIds()
  readonly #api = new Api(location.origin)
  readonly #clock = new Clock(0)
  #devices: Devices | undefined
  #outbox: Outbox | undefined
  #documents: Documents | undefined
  #rulesClient: RulesClient | undefined
  #access: Access | undefined
  #signIn: SignIn | undefined
  #keeping: ReturnType<typeof setTimeout> | undefined
  #signingOut: ReturnType<typeof setTimeout> | undefined
  #remembering: ReturnType<typeof setTimeout> | undefined

  get entries(): ReadonlyMap<EntryId, Entry> {
    void this.entriesSeen
    return this.#entries
  }

  /** What the log says of gates and checks at this moment. */
  readonly standing = $derived.by(() => standing(this.entries.values(), this.rules?.now ?? this.#clock.now()))

  /** PINs, and whether anybody records. */
  readonly lock = new Lock(() => this.#clock.raw())

  /** Who records now; nobody while the phone is locked. */
  get person(): Person | undefined {
    if (this.lock.shut) return undefined
    return this.device?.people.find((p) => p.id === this.device?.current)
  }

  /** Starts from what this phone holds; the network is not waited for. */
  async start(): Promise<void> {
    try {
      // The rules take longest to come up: they start before anything else.
      this.#startRules()
      this.#devices = await Devices.open()
      const device = await this.#devices.current()
      if (device === undefined) {
        this.phase = { is: "not joined" }
        return
      }
      await this.#enter(device)
    } catch (problem) {
      this.#fail(problem)
    }
  }

  #fail(problem: unknown): void {
    console.error(problem)
    this.phase = { is: "broken", what: problem instanceof Error ? problem.message : String(problem) }
  }

  async #enter(device: Device): Promise<void> {
    this.device = device
    this.#clock.off = device.off
    this.now = this.#clock.now()
    setInterval(() => (this.now = this.#clock.now()), 15_000)
    setInterval(() => {
      if (this.link === "online" && document.visibilityState === "visible") void this.refreshRefused()
    }, 300_000)
    // One writer for each device's storage: a second tab waits, and takes over
    // when the first one closes.
    const name = `gatewright-${device.device}`
    let waiting = true
    void navigator.locks.request(name, async () => {
      waiting = false
      try {
        await this.#run(device, name)
      } catch (problem) {
        this.#fail(problem)
      }
      await new Promise(() => undefined)
    })
    setTimeout(() => {
      if (waiting) this.phase = { is: "open elsewhere" }
    }, 700)
  }

  async #run(device: Device, name: string): Promise<void> {
    const automerge = initializeWasm(automergeUrl)
    if (this.#devices !== undefined) {
      // Not before this is the one tab: another may have changed both until now.
      await this.lock.load(this.#devices)
      this.device = (await this.#devices.list()).find((d) => d.device === device.device) ?? device
      // A PIN is asked for at every start, or a reload would go around it.
      await this.lockNow()
    }
    const outbox = await Outbox.open(name)
    this.#outbox = outbox
    this.parcels = outbox.parcels
    this.safeAt = (await outbox.fact("safe at")) as Instant | undefined
    const names = await outbox.fact("names")
    if (names instanceof Map) this.names = names as ReadonlyMap<string, string>
    const decisions = await outbox.fact("decisions")
    if (decisions instanceof Map) this.decisions = decisions as ReadonlyMap<EntryId, Decision>

    this.#signIn = new SignIn(this.#api, async () => (await this.#token()).text, this.#clock.raw)
    this.#access = new Access(this.#api, () => this.device ?? device, this.#clock.raw, (off) => void this.#setOffset(off))
    const known = await this.#recall(outbox)
    this.#documents = new Documents({
      known,
      site: device.site.id,
      device: device.device,
      outbox,
      storage: DocumentStore.named(`gatewright-documents-${device.device}`),
      address: () => this.#address(),
      now: this.#clock.now,
      listener: {
        entries: (raws) => this.#take(raws),
        planChanges: (changes, heads) => this.#rulesClient?.planChanges(changes, heads),
        heads: (document, heads) => this.#rulesClient?.heads(document, heads),
        link: (state) => this.#linkIs(state),
        outbox: () => this.#outboxChanged(),
        startedOver: () => this.#startedOver(),
        identityRefused: () => this.#access?.forget(),
      },
    })
    // The outbox knows more than the stored documents: its entries count at once.
    this.#take(outbox.parcels.filter((p) => p.state === "waiting").map((p) => p.raw))
    await this.#showLast(outbox)
    await automerge
    await this.#documents.start()
    this.#rulesClient?.begin()
    this.phase = { is: "ready" }
    void this.#askToPersist()
  }

  /**
   * Shows what the rules said when the app was last open, until they have
   * spoken again: a second later at most, and recording need not wait for it.
   */
  async #showLast(outbox: Outbox): Promise<void> {
    const last = (await outbox.fact("last shown")) as { readonly plan: string; readonly rules: string } | undefined
    if (last === undefined || this.rules !== undefined) return
    this.plan = parsePlan(last.plan)
    this.rules = parseOutput(last.rules)
    this.phase = { is: "ready" }
  }

  /** Begins from what the last run remembered of closed months, so that their documents stay shut. */
  async #recall(outbox: Outbox): Promise<Remembered["heads"]> {
    const kept = (await outbox.recall()) as Remembered | undefined
    if (kept === undefined || (await this.#rulesClient?.load(kept.state)) !== true) return new Map()
    return kept.heads
  }

  /** Remembers closed months once all that this phone wrote is safe. */
  #rememberSoon(): void {
    clearTimeout(this.#remembering)
    this.#remembering = setTimeout(() => void this.#remember(), 3_000)
  }

  async #remember(): Promise<void> {
    const [documents, outbox, rules] = [this.#documents, this.#outbox, this.#rulesClient]
    if (documents === undefined || outbox === undefined || rules === undefined) return
    if (this.link !== "online" || outbox.parcels.length > 0 || !documents.toRemember) return
    // Taken in one go: the module is asked after all that these heads stand for was told to it.
    const [heads, forgettings] = [documents.closed(), outbox.forgettings]
    const state = await rules.save(documents.oldestOpen)
    const value: Remembered = { state, heads }
    if (await outbox.remember(value, forgettings)) documents.remembered(heads)
  }

  get unopened(): readonly DocName[] {
    return this.#documents?.unopened ?? []
  }

  get remembered(): boolean {
    return this.#documents?.toRemember === false
  }

  /** Opens the months that were only remembered, for somebody who looks back in the log. */
  readonly openOlder = async (): Promise<void> => this.#documents?.openAll()

  #keepShown(): void {
    clearTimeout(this.#keeping)
    this.#keeping = setTimeout(() => void this.#outbox?.noteLightly("last shown", { plan: this.planText, rules: this.rulesText }), 2_000)
  }

  #startRules(): void {
    const worker = new Worker(new URL("../rules/worker.ts", import.meta.url), { type: "module", name: "rules" })
    this.#rulesClient = new RulesClient(worker, rulesUrl, this.#clock.now, {
      plan: (json) => {
        this.planText = json
        this.plan = parsePlan(json) ?? this.plan
      },
      output: (output, json) => {
        this.rulesText = json
        this.rules = output
        this.rulesTrouble = undefined
        this.#keepShown()
        this.#rememberSoon()
        this.now = this.#clock.now()
      },
      failed: (what) => {
        this.rulesTrouble = what
      },
    })
  }

  #startedOver(): void {
    this.#entries.clear()
    this.#rulesClient?.reset()
    this.#take((this.#outbox?.waiting() ?? []).map((p) => p.raw))
  }

  #take(raws: readonly string[]): void {
    const fresh: string[] = []
    for (const raw of raws) {
      const entry = parseEntry(raw)
      if (entry === undefined || this.#entries.has(entry.id)) continue
      this.#entries.set(entry.id, entry)
      fresh.push(raw)
    }
    if (fresh.length === 0) return
    this.entriesSeen += fresh.length
    this.#rulesClient?.entries(fresh)
  }

  #outboxChanged(): void {
    const outbox = this.#outbox
    if (outbox === undefined) return
    this.parcels = outbox.parcels
    if (this.link === "online" && outbox.waiting().length === 0) {
      this.safeAt = this.#clock.now()
      void outbox.note("safe at", this.safeAt)
    }
  }

  #linkIs(state: LinkState): void {
    this.link = state
    if (state !== "online") return
    void this.refreshPeople()
    void this.refreshRefused()
  }

  async #address(): Promise<string | undefined> {
    const [device, access] = [this.device, this.#access]
    if (device === undefined || access === undefined) return undefined
    for (let again = false; ; again = true) {
      const token = await access.token()
      if (token.drain) {
        await this.#drain(token.text)
        return undefined
      }
      try {
        return await this.#api.ticket(device.site.id, token.text)
      } catch (problem) {
        if (!(problem instanceof ApiProblem) || (problem.status !== 401 && problem.status !== 403)) throw problem
        // The token is from before the server forgot or revoked this device: a new one says what it still may.
        access.forget()
        if (again) throw problem
      }
    }
  }

  /** This device's access has ended: what it still holds goes to the manager's list. */
  async #drain(token: string): Promise<void> {
    const [device, outbox] = [this.device, this.#outbox]
    if (device === undefined || outbox === undefined) return
    const left = (): readonly Parcel[] => outbox.parcels.filter((p) => p.state !== "refused")
    for (let some = left().slice(0, 100); some.length > 0; some = left().slice(0, 100)) {
      await this.#api.drain(device.site.id, some.map((p) => p.raw), token)
      await outbox.turnAway(
        some.map(({ id }) => ({ id, code: "ended", reason: "The access of this phone has ended; a manager has been handed this entry.", held: false })),
        this.#clock.now(),
      )
    }
    this.#outboxChanged()
  }

  async #setOffset(off: number): Promise<void> {
    this.#clock.off = off
    this.now = this.#clock.now()
    const device = this.device
    if (device === undefined || device.off === off) return
    await this.#keep({ ...device, off })
    this.#rulesClient?.evaluateSoon()
  }

  async #keep(device: Device): Promise<void> {
    this.device = device
    await this.#devices?.save(device)
  }

  /** Asks who there is at the site and on this phone. */
  async refreshPeople(): Promise<void> {
    const [device, access, outbox] = [this.device, this.#access, this.#outbox]
    if (device === undefined || access === undefined || outbox === undefined) return
    try {
      const token = await access.token()
      if (token.drain) return
      const [me, people] = await Promise.all([this.#api.me(token.text), this.#api.people(device.site.id, token.text)])
      const names = new Map(people.filter((p) => p.name !== "").map((p) => [p.id as string, p.name]))
      for (const p of me.people) if (p.name !== "") names.set(p.id, p.name)
      this.names = names
      await outbox.note("names", names)
      const now = this.device ?? device
      const here = me.people.filter((p) => now.left?.includes(p.id) !== true)
      if (here.length > 0) {
        await this.#keep({ ...now, site: me.site, people: here })
        if (!here.some((p) => p.id === now.current)) await this.#stepBack()
      }
    } catch (problem) {
      if (!(problem instanceof Unreachable) && !(problem instanceof ApiProblem)) throw problem
    }
  }

  async #token(): Promise<Token> {
    if (this.#access === undefined) throw new Error("nobody has joined on this phone yet")
    return this.#access.token()
  }

  /** Asks with a token of now; undefined when this phone may not ask or the server cannot be reached. */
  async #asked<T>(ask: (token: string, device: Device) => Promise<T>): Promise<T | undefined> {
    const [device, access] = [this.device, this.#access]
    if (device === undefined || access === undefined) return undefined
    try {
      const token = await access.token()
      return token.drain ? undefined : await ask(token.text, device)
    } catch (problem) {
      if (problem instanceof Unreachable || problem instanceof ApiProblem) return undefined
      throw problem
    }
  }

  async #askToPersist(): Promise<void> {
    try {
      this.persisted = (await navigator.storage.persisted()) || (await navigator.storage.persist())
    } catch {
      this.persisted = false
    }
  }

  // Actions

  /**
   * Records what was done, by the current person, now. Returns once all of it
   * is on this phone's disk; what cannot be saved throws and nothing is kept.
   */
  readonly record = async (doings: readonly Doing[]): Promise<readonly EntryId[]> => {
    const [device, outbox] = [this.device, this.#outbox]
    if (device === undefined || outbox === undefined) throw new Error("nobody has joined on this phone yet")
    if (this.lock.shut) throw new Error("nobody has been chosen")
    const at = Math.trunc(this.#clock.now())
    const parcels = doings.map((doing): Parcel => {
      const target = "of" in doing ? doing.of : undefined
      const id = this.#ids.next(at, target)
      const raw = encodeEntry(doing, { id, at, off: this.#clock.off, by: device.current, dev: device.device })
      return { id, raw, document: monthOf(id), state: "waiting" }
    })
    await outbox.add(parcels)
    this.parcels = outbox.parcels
    this.#take(parcels.map((p) => p.raw))
    // From here on it is saved; the document follows and is put right at the next start if it cannot.
    await this.#documents?.write(parcels).catch((problem: unknown) => console.error("writing to the document", problem))
    return parcels.map((p) => p.id)
  }

  /** Somebody else records from now on; a person with a PIN comes by unlock. Leaving is not signing out of anything but a manager's ten minutes. */
  readonly choosePerson = async (person: PersonId): Promise<void> => {
    const device = this.device
    if (device === undefined || this.lock.has(person) || this.mustHavePin(person)) return
    await this.#become(person)
  }

  /** Tries a person's PIN; when it fits they record from now on. */
  readonly unlock = async (person: PersonId, digits: string): Promise<Tried> => {
    const tried = await this.lock.try(person, digits)
    if (tried.is === "in" && !this.mustHavePin(person)) await this.#become(person)
    return tried
  }

  /** Sets a PIN for the person who records, or for a manager's tile that may not be used without. */
  readonly setPin = async (person: PersonId, digits: string): Promise<void> => {
    await this.lock.set(person, digits)
    await this.#become(person)
  }

  /** A manager on a phone with more people has to set a PIN before they record. */
  mustHavePin(person: PersonId | undefined): boolean {
    const people = this.device?.people ?? []
    return person !== undefined && !this.lock.has(person) && mustHavePin(people.find((p) => p.id === person), people)
  }

  async #become(person: PersonId): Promise<void> {
    const device = this.device
    if (device === undefined) return
    if (person !== device.current) this.signOut()
    const open = this.lock.has(person) || this.mustHavePin(person) ? device.open : person
    await this.#keep({ ...device, current: person, ...(open !== undefined && { open }) })
    this.lock.shut = false
    this.lock.touch()
    if (this.link === "online") void this.refreshRefused()
  }

  /** Locks a person with a PIN out: the last one without records again, or nobody until a tile is tapped. */
  readonly lockNow = async (): Promise<void> => {
    const current = this.device?.current
    if (current === undefined || (!this.lock.has(current) && !this.mustHavePin(current))) return
    await this.#stepBack()
  }

  async #stepBack(): Promise<void> {
    const device = this.device
    if (device === undefined) return
    this.signOut()
    const back = backTo(device, this.lock.withPin, this.#clock.now())
    if (back === undefined) this.lock.shut = true
    else await this.#become(back)
  }

  /** How many entries of a person the server does not have yet. */
  unsentOf(person: PersonId): number {
    return this.parcels.filter((p) => p.state === "waiting" && parseEntry(p.raw)?.by === person).length
  }

  /** Takes the person who records off this phone; false while entries of theirs are not on the server. */
  readonly leave = async (): Promise<boolean> => {
    const device = this.device
    const person = this.person
    if (device === undefined || person === undefined || device.people.length < 2 || this.unsentOf(person.id) > 0) return false
    await this.lock.remove(person.id)
    await this.#keep({ ...device, people: device.people.filter((p) => p.id !== person.id), left: [...(device.left ?? []), person.id] })
    await this.#stepBack()
    return true
  }

  readonly retryLink = (): void => this.#documents?.retry()

  readonly retryEntry = async (id: EntryId): Promise<void> => {
    const parcel = await this.#outbox?.retry(id)
    if (parcel === undefined) return
    this.#outboxChanged()
    this.#take([parcel.raw])
    await this.#documents?.write([parcel])
  }

  /** Lets go of an entry that was not accepted: nobody will see it any more. */
  readonly forgetEntry = async (id: EntryId): Promise<void> => {
    await this.#outbox?.forget(id)
    this.#outboxChanged()
  }

  /** Asks what became of what was not accepted here and, for a manager, how much waits at the site. */
  readonly refreshRefused = async (): Promise<void> => {
    const outbox = this.#outbox
    if (outbox === undefined) return
    if (outbox.turnedAway().length > 0) {
      const decisions = await this.#asked((token, device) => this.#api.decisions(device.site.id, token))
      if (decisions !== undefined) {
        this.decisions = decisions
        await outbox.note("decisions", decisions)
      }
    }
    if (this.person?.role !== "manager") this.toDecide = undefined
    else this.toDecide = (await this.#asked((token, device) => this.#api.waiting(device.site.id, token))) ?? this.toDecide
  }

  /** Asks the server with the token of the current person as a manager. Throws what it says when it says no. */
  async asManager<T>(ask: (api: Api, site: SiteId, token: string, by: PersonId) => Promise<T>): Promise<T> {
    const device = this.device
    const token = device === undefined ? undefined : this.#signIn?.of(device.current)
    if (device === undefined || token === undefined) {
      this.signedIn = undefined
      throw new Error("nobody has signed in as a manager on this phone")
    }
    return ask(this.#api, device.site.id, token, device.current)
  }

  #nowSignedIn(): void {
    this.signedIn = this.device?.current
    clearTimeout(this.#signingOut)
    const left = (this.#signIn?.until ?? 0) - this.#clock.raw() - 10_000
    this.#signingOut = setTimeout(() => this.signOut(), Math.max(0, left))
  }

  /** Forgets that the manager has signed in. */
  readonly signOut = (): void => {
    clearTimeout(this.#signingOut)
    this.#signIn?.forget()
    this.signedIn = undefined
  }

  #signingInAs(person?: PersonId): [SignIn, PersonId] {
    const [signIn, device] = [this.#signIn, this.device]
    if (signIn === undefined || device === undefined) throw new Error("nobody has joined on this phone yet")
    return [signIn, person ?? device.current]
  }

  /** By what the current person, or this one, can sign in as a manager. */
  readonly waysIn = (of?: PersonId): Promise<Ways> => {
    const [signIn, person] = this.#signingInAs(of)
    return signIn.ways(person)
  }

  async #enterBy(by: WayIn, of?: PersonId): Promise<void> {
    const [signIn, person] = this.#signingInAs(of)
    if ("passkey" in by) await signIn.byPasskey(person)
    else if ("passphrase" in by) await signIn.byPassphrase(person, by.passphrase)
    else await signIn.byRecovery(person, by.recovery)
  }

  /** Signs the current person in as a manager. Throws what the server says when it says no. */
  readonly signIn = async (by: WayIn): Promise<void> => {
    await this.#enterBy(by)
    this.#nowSignedIn()
  }

  /** A manager who has forgotten the PIN shows who they are by signing in, which needs the server; then the PIN goes. */
  readonly forgetPin = async (person: PersonId, by: WayIn): Promise<void> => {
    await this.#enterBy(by, person)
    this.signOut()
    await this.lock.remove(person)
  }

  /** Sets a way in for the current person; the first one gives recovery codes, which are shown this once. */
  readonly setWayIn = (way: { readonly passkey: string } | { readonly passphrase: string }): Promise<readonly string[]> => {
    const [signIn, person] = this.#signingInAs()
    return "passkey" in way ? signIn.addPasskey(person, way.passkey) : signIn.setPassphrase(person, way.passphrase)
  }

  /** What was refused at the site, for a manager. Throws what the server says when it says no. */
  readonly refusedHere = async (decided: boolean): Promise<readonly RefusedItem[]> => {
    const items = await this.asManager((api, site, token) => api.refused(site, decided, token))
    if (!decided) this.toDecide = items.length
    return items
  }

  /** Accepts or discards as the current person, who has to be a manager. Throws what the server says when it says no. */
  readonly decide = async (item: string, choice: Parameters<Api["decide"]>[2]): Promise<void> => {
    await this.asManager((api, site, token, by) => api.decide(site, item, choice, by, token))
    void this.refreshRefused()
  }

  readonly look = (code: string): Promise<Invitation> => this.#api.look(code)

  /** Spends an invitation: a new device, or one more person on this one. */
  readonly join = async (code: string, name: string, invitation: Invitation): Promise<void> => {
    const devices = this.#devices
    if (devices === undefined) throw new Error("the storage of this phone is not open")
    const enrolled = devices.atSite(await devices.list(), invitation.site.id)
    if (enrolled !== undefined && enrolled.device === this.device?.device && this.#access !== undefined) {
      const token = await this.#access.token()
      const joined = await this.#api.join(code, name, { token: token.text })
      const people = [...enrolled.people.filter((p) => p.id !== joined.person.id), joined.person]
      // An invitation of their own stands for a PIN that was forgotten.
      await this.lock.remove(joined.person.id)
      const before = this.device ?? enrolled
      await this.#keep({ ...before, people, left: (before.left ?? []).filter((p) => p !== joined.person.id) })
      await this.#become(joined.person.id)
      this.names = new Map([...this.names, [joined.person.id, joined.person.name]])
      // The rights of the open connection do not know the newcomer yet.
      this.#documents?.reconnect()
      return
    }
    const keys = await devices.nextKeys()
    const joined = await this.#api.join(code, name, { publicKey: base64url(keys.publicKey), label: phoneLabel() })
    const device: Device = { device: joined.device, site: joined.site, keys, people: [joined.person], current: joined.person.id, open: joined.person.id, off: 0 }
    await devices.save(device)
    if (this.device === undefined) await this.#enter(device)
    else location.assign("/")
  }

  readonly choice = async (name: string): Promise<unknown> => this.#devices?.choice(name)
  readonly choose = async (name: string, value: unknown): Promise<void> => this.#devices?.choose(name, value)

  /** Everything this phone has recorded or holds, as one text to hand over. */
  readonly exported = (): string => {
    const lines = [...this.#entries.values()].sort((a, b) => (a.id < b.id ? -1 : 1)).map((e) => e.raw)
    const aside = (this.#outbox?.turnedAway() ?? []).map((p) => JSON.stringify({ [p.state === "held" ? "to be confirmed" : "not accepted"]: p.reason, code: p.code, entry: p.raw }))
    return [...lines, ...aside].join("\n") + "\n"
  }
}

function phoneLabel(): string {
  const agent = navigator.userAgent
  const system = /Android|iPhone|iPad|Windows|Mac OS|Linux/.exec(agent)?.[0] ?? "Browser"
  const browser = /Firefox|Edg|Chrome|Safari/.exec(agent)?.[0] ?? ""
  return `${system} ${browser}`.trim()
}

export const session = new Session()
