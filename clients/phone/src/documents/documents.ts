import { Automerge as A, Repo, type DocHandle, type DocumentId, type StorageAdapterInterface } from "@automerge/automerge-repo/slim"
import { parseEntry } from "../logbook/entry"
import { documentId, isEntryId, monthOf, plan, recentMonths, type DocName, type EntryId, type Instant, type SiteId } from "../logbook/ids"
import { backoff } from "../network/backoff"
import { ServerLink, type LinkState } from "../network/link"
import type { ListedDocument, RefusedChange } from "../network/frames"
import type { Outbox, Parcel, Refusal } from "../outbox/outbox"
import { DocumentStore } from "./store"

export interface DocumentsListener {
  /** Entries that a month document holds and did not hold before. */
  entries(raws: readonly string[]): void
  planChanges(changes: readonly Uint8Array[], heads: readonly string[]): void
  heads(document: DocName, heads: readonly string[]): void
  link(state: LinkState): void
  /** The outbox has changed: something is safe, or was not accepted. */
  outbox(): void
  /** A local copy was dropped: all that was told before is told again. */
  startedOver(): void
  identityRefused(): void
}

export interface DocumentsOptions {
  readonly site: SiteId
  readonly device: string
  readonly outbox: Outbox
  readonly storage: StorageAdapterInterface
  readonly address: () => Promise<string | undefined>
  readonly now: () => Instant
  /** Heads of closed months whose entries were told in an earlier run and are remembered: they are opened when asked for. */
  readonly known?: ReadonlyMap<DocName, readonly string[]>
  readonly listener: DocumentsListener
  /** How a connection is made; the tests put their own in. */
  readonly open?: (address: string) => WebSocket
}

type Log = Record<string, A.ImmutableString>

interface Opened {
  readonly name: DocName
  readonly handle: DocHandle<Log>
  told: A.Heads
}

const monthsAlwaysOpen = 3

/**
 * Refusals that are about a change and not about what it says: it builds on one
 * that is not taken, or its actor was taken for another device's. The entries
 * are written again, by an actor that is new.
 */
const aboutTheChange: readonly string[] = ["depends", "actor"]

/**
 * How often an entry is written again for one cause while the app is open and
 * nothing else comes to rest by it. Then it is kept as it is for a person to
 * look at: a server that says the same for ever must not keep a phone busy.
 */
export const writtenAgainAtMost = 5

/**
 * The documents of a site on this phone: opens them, writes entries into their
 * months, and lets go of the outbox what the server has acknowledged.
 */
export class Documents {
  readonly #options: DocumentsOptions
  #repo: Repo | undefined
  #store: DocumentStore | undefined
  #link: ServerLink | undefined
  readonly #opened = new Map<DocName, Promise<Opened>>()
  readonly #toldHeads = new Map<DocName, readonly string[]>()
  readonly #names = new Map<DocumentId, DocName>()
  readonly #acknowledged = new Map<DocName, readonly string[]>()
  #listed: readonly DocName[] = []
  /** What the server of the present connection has; unknown before it has said so. */
  #served: ReadonlySet<DocName> | undefined
  /** What that server had when the connection began. */
  #atConnect: ReadonlyMap<DocName, readonly string[]> = new Map()
  /** How often each entry was written again, by entry and cause. */
  readonly #again = new Map<string, number>()
  /** Refusals and the writes they lead to are handled one at a time. */
  #line: Promise<void> = Promise.resolve()
  #known: ReadonlyMap<DocName, readonly string[]>
  #stopped = false
  /** What could not be done is tried again. */
  #mending: ReturnType<typeof setTimeout> | undefined
  #failures = 0

  constructor(options: DocumentsOptions) {
    this.#options = options
    this.#known = options.known ?? new Map()
  }

  /** Opens what this phone has and all that still has to go to the server. */
  async start(): Promise<void> {
    const kept = await this.#options.outbox.fact("listed")
    if (Array.isArray(kept)) this.#listed = kept as DocName[]
    await this.#build()
  }

  async stop(): Promise<void> {
    this.#stopped = true
    clearTimeout(this.#mending)
    // A refusal that is being taken in builds a new link: that one has to go too.
    await this.#line
    this.#link?.disconnect()
    const opened = await Promise.all(this.#opened.values())
    await this.#repo?.flush(opened.filter(({ handle }) => handle.isReady()).map(({ handle }) => handle.documentId))
    this.#store?.shut()
  }

  readonly retry = (): void => this.#link?.retry()
  readonly reconnect = (): void => this.#link?.reconnect()

  get listed(): readonly DocName[] {
    return this.#listed
  }

  /** Months that this phone has and has not opened: what they say was remembered. */
  get unopened(): readonly DocName[] {
    return this.#listed.filter((name) => !this.#opened.has(name))
  }

  /** Opens what was only remembered, for somebody who looks back. */
  async openAll(): Promise<void> {
    await Promise.all(this.unopened.map((name) => this.#openDocument(name)))
  }

  /** The oldest month that is always opened. */
  get oldestOpen(): DocName {
    return recentMonths(this.#options.now(), monthsAlwaysOpen).at(-1) ?? plan
  }

  /** The heads, sorted, of closed months that were told or are remembered. */
  closed(): ReadonlyMap<DocName, readonly string[]> {
    return new Map([...this.#known, ...this.#toldHeads].filter(([name]) => name !== plan && name < this.oldestOpen))
  }

  /** Whether closed months have come, or changed, since they were remembered. */
  get toRemember(): boolean {
    return [...this.closed()].some(([name, heads]) => heads.join() !== this.#known.get(name)?.join())
  }

  /** From the next start on these need not be opened. */
  remembered(known: ReadonlyMap<DocName, readonly string[]>): void {
    this.#known = known
  }

  /** Whether a month may stay shut: it is closed, what it says is remembered, and the server has nothing else. */
  #remembered(name: DocName, heads?: readonly string[]): boolean {
    const known = this.#known.get(name)
    if (known === undefined || this.#opened.has(name) || name >= this.oldestOpen) return false
    if (this.#options.outbox.parcels.some((p) => p.document === name)) return false
    return heads === undefined || (heads.length === known.length && [...heads].sort().every((h, i) => h === known[i]))
  }

  /** Puts entries of the outbox into their month documents, each as a change of its own. */
  async write(parcels: readonly Parcel[]): Promise<void> {
    const months = new Map<DocName, Parcel[]>()
    for (const parcel of parcels) months.set(parcel.document, [...(months.get(parcel.document) ?? []), parcel])
    for (const [name, those] of months) {
      const { handle } = await this.#openDocument(name)
      // Behind older ones that this copy lacks after a crash, new entries wait for #putBack: a void that reached
      // the server before what it voids would be refused for good.
      if (this.#lacksOlder(name, handle, those)) continue
      for (const parcel of those) this.#put(handle, parcel)
    }
  }

  #lacksOlder(name: DocName, handle: DocHandle<Log>, those: readonly Parcel[]): boolean {
    const doc = handle.isReady() ? handle.doc() : undefined
    const now = new Set(those.map(({ id }) => id))
    return this.#options.outbox.waiting(name).some(({ id }) => !now.has(id) && !(doc !== undefined && id in doc))
  }

  #put(handle: DocHandle<Log>, { id, raw }: Parcel): void {
    // One change for each entry: what is refused then takes nothing else with it.
    if (!handle.isReady()) {
      // A month that nobody here has seen begins with its first entry. An empty
      // import would never become ready; two phones may both begin it, since
      // root keys merge.
      const first = A.change(A.init<Log>(), (doc) => {
        doc[id] = new A.ImmutableString(raw)
      })
      this.#repo?.import<Log>(A.save(first), { docId: handle.documentId })
      void this.#repo?.flush([handle.documentId])
      return
    }
    if (id in handle.doc()) return
    handle.change((doc) => {
      doc[id] = new A.ImmutableString(raw)
    })
  }

  async #build(): Promise<void> {
    const { outbox, site, storage } = this.#options
    // What a refusal has condemned goes before anything is opened.
    for (const name of await outbox.toDrop()) {
      const id = documentId(site, name)
      for (const kind of ["snapshot", "incremental", "sync-state"]) await storage.removeRange([id, kind])
      await outbox.dropped(name)
    }
    const store = new DocumentStore(storage)
    const link = new ServerLink({
      address: this.#options.address,
      heartbeat: documentId(site, "heartbeat" as DocName),
      events: {
        state: (state) => {
          if (state !== "online") this.#unknow()
          this.#options.listener.link(state)
        },
        documents: (documents) => this.#list(documents),
        refused: (id, refused) => this.#refused(id, refused),
        acknowledged: (id, heads) => this.#hear(id, heads),
        identityRefused: () => this.#options.listener.identityRefused(),
      },
      ...(this.#options.open !== undefined && { open: this.#options.open }),
    })
    this.#store = store
    this.#link = link
    this.#repo = new Repo({ storage: store, network: [link], isEphemeral: false })
    this.#opened.clear()
    this.#unknow()

    // The plan and the newest months first: they are what the round needs.
    const waiting = [...new Set(outbox.waiting().map((p) => p.document))]
    const recent = recentMonths(this.#options.now(), monthsAlwaysOpen)
    const older = this.#listed.filter((name) => name !== plan && !recent.includes(name)).sort().reverse()
    const names = [...new Set([plan, ...recent, ...waiting, ...older])]
    await Promise.all(names.filter((name) => !this.#remembered(name)).map((name) => this.#openDocument(name)))
  }

  /** The next connection may be to a server that was restored from a backup: it speaks for itself. */
  #unknow(): void {
    this.#acknowledged.clear()
    this.#served = undefined
    this.#atConnect = new Map()
  }

  #openDocument(name: DocName): Promise<Opened> {
    let opened = this.#opened.get(name)
    if (opened === undefined) {
      opened = this.#find(name)
      this.#opened.set(name, opened)
      // What storage did not give this time it may give the next.
      opened.catch(() => this.#opened.delete(name))
    }
    return opened
  }

  async #find(name: DocName): Promise<Opened> {
    const repo = this.#repo
    if (repo === undefined) throw new Error("documents are opened before the start")
    const id = documentId(this.#options.site, name)
    this.#names.set(id, name)
    // Settles once local storage has answered; whether the server has it shows later.
    const handle = await repo.find<Log>(id, { allowableStates: ["ready", "requesting", "unavailable"] })
    const opened: Opened = { name, handle, told: [] }
    handle.on("heads-changed", ({ doc }) => {
      if (this.#repo === repo) this.#tell(opened, doc)
    })
    if (handle.isReady()) this.#tell(opened, handle.doc())
    return opened
  }

  /** Hands on what is new in a document since it was told last. */
  #tell(opened: Opened, doc: A.Doc<Log>): void {
    const { name } = opened
    const heads = A.getHeads(doc)
    const before = opened.told
    if (heads.length === before.length && heads.every((h, i) => h === before[i])) return
    opened.told = heads
    this.#toldHeads.set(name, [...heads].sort())
    const { listener } = this.#options
    if (name === plan) {
      listener.planChanges(A.getChangesSince(doc, before), heads)
      return
    }
    const raws: string[] = []
    const keys = before.length === 0 ? Object.keys(doc) : newKeys(doc, before, heads)
    for (const key of keys) {
      const value: unknown = doc[key]
      if (isEntryId(key) && value instanceof A.ImmutableString) raws.push(value.val)
    }
    listener.entries(raws)
    listener.heads(name, heads)
    // A document that comes in for the first time is not ready before this returns.
    queueMicrotask(() => this.#settle(opened))
  }

  #list(documents: readonly ListedDocument[]): void {
    const names: DocName[] = []
    for (const { name, id, heads } of documents) {
      // A name that does not give the listed id is another site's business.
      if (documentId(this.#options.site, name as DocName) !== id) continue
      names.push(name as DocName)
      this.#acknowledged.set(name as DocName, heads)
    }
    this.#listed = names
    if (this.#served === undefined) this.#atConnect = new Map(this.#acknowledged)
    this.#served = new Set(names)
    void this.#options.outbox.note("listed", names)
    for (const name of new Set([...names, ...this.#known.keys(), ...this.#opened.keys()])) {
      // What the server no longer lists it may have lost: this phone's copy mends it.
      if (this.#remembered(name, this.#acknowledged.get(name) ?? [])) continue
      void this.#openDocument(name).then((opened) => this.#settle(opened))
    }
    this.#options.listener.outbox()
  }

  #hear(id: DocumentId, heads: readonly string[]): void {
    const name = this.#names.get(id)
    if (name === undefined) return
    this.#acknowledged.set(name, heads)
    void this.#opened.get(name)?.then((opened) => this.#settle(opened))
  }

  /**
   * Brings outbox and document together: lets go of what the server has, and
   * puts back what an earlier run recorded and this copy lacks.
   */
  #settle(opened: Opened): void {
    if (this.#stopped) return
    this.#release(opened)
    this.#putBack(opened)
    for (const parcel of this.#options.outbox.turnedAway()) {
      const of = parcel.state === "held" ? target(parcel) : undefined
      if (of === undefined || (parcel.document !== opened.name && monthOf(of) !== opened.name)) continue
      this.#inLine("sending again what was held", () => this.#sendAgain(parcel, of))
    }
  }

  /**
   * Sends an entry again that the server holds for want of another one, when
   * that one was in its log as the connection began and this one is not: then
   * it would have come in, so the server has lost it, as one does that was
   * restored from a backup.
   */
  async #sendAgain({ id, document, code }: Parcel & { readonly code: string }, of: EntryId): Promise<void> {
    const { outbox, listener } = this.#options
    const heads = this.#atConnect.get(monthOf(of))
    if (this.#stopped || heads === undefined || outbox.get(id)?.state !== "held") return
    const [about, own] = [await this.#openDocument(monthOf(of)), await this.#openDocument(document)]
    if (!about.handle.isReady() || !onHeads(about.handle.doc(), heads)(of)) return
    if (!this.#level(own) || (own.handle.isReady() && id in own.handle.doc())) return
    if (!this.#mayAgain(id, code)) return
    await outbox.resume(id)
    listener.outbox()
    this.#settle(own)
  }

  /** Counts that an entry is written again for a cause; false when it was often enough. */
  #mayAgain(id: EntryId, code: string): boolean {
    const key = `${code} ${id}`
    const times = (this.#again.get(key) ?? 0) + 1
    if (times > writtenAgainAtMost) return false
    this.#again.set(key, times)
    return true
  }

  #release({ name, handle }: Opened): void {
    const { outbox, listener } = this.#options
    // Also what was not accepted: a manager may have let it in since, or its id was taken by this very text.
    const parcels = outbox.parcels.filter((p) => p.document === name)
    if (parcels.length === 0 || !handle.isReady()) return
    const doc = handle.doc()
    const served = onHeads(doc, this.#acknowledged.get(name) ?? [])
    const safe = parcels.filter(({ id, raw }) => served(id) && doc[id]?.val === raw).map(({ id }) => id)
    if (safe.length === 0) return
    void outbox.release(safe).then(() => listener.outbox())
  }

  /**
   * The document's stored copy may be older than the outbox (it is written
   * late), and the server may already have what it lacks. So entries are put
   * back only when this copy is level with the server, or the server has none:
   * before that they could be written twice, and the second would be refused.
   */
  #putBack(opened: Opened): void {
    if (!this.#level(opened)) return
    const { name, handle } = opened
    const waiting = this.#options.outbox.waiting(name)
    for (const parcel of [...waiting].sort((a, b) => (a.id < b.id ? -1 : 1))) this.#put(handle, parcel)
  }

  /** Whether this copy lacks nothing that the server of the present connection has. */
  #level({ name, handle }: Opened): boolean {
    if (this.#served === undefined) return false
    if (!this.#served.has(name)) return true
    const heads = this.#acknowledged.get(name)
    if (heads === undefined) return false
    // No heads at all: the server knows of the document and has nothing of it.
    return heads.length === 0 || (handle.isReady() && A.hasHeads(handle.doc(), [...heads]))
  }

  #refused(id: DocumentId, refused: readonly RefusedChange[]): void {
    const name = this.#names.get(id)
    if (name === undefined || refused.length === 0) return
    // As of now: when its turn comes, the connection may be gone.
    const heads = this.#acknowledged.get(name) ?? []
    this.#inLine("taking in a refusal", () => this.#startOver(name, refused, heads))
  }

  #inLine(what: string, work: () => Promise<void>): void {
    this.#line = this.#line.then(work).catch((problem: unknown) => {
      console.error(what, problem)
    })
  }

  /**
   * The server will not take changes of this copy. The reason is kept beside
   * the entries it names, all else that this device wrote and the server is not
   * known to have goes back to the outbox in the same text, and the documents
   * are built anew without the copy.
   */
  async #startOver(name: DocName, refused: readonly RefusedChange[], heads: readonly string[]): Promise<void> {
    const opened = await this.#openDocument(name)
    const doc = opened.handle.isReady() ? opened.handle.doc() : A.init<Log>()
    const own: { id: EntryId; raw: string }[] = []
    if (name !== plan) {
      const mine = `"dev":"${this.#options.device}"`
      const served = onHeads(doc, heads)
      for (const key of Object.keys(doc)) {
        const value: unknown = doc[key]
        if (!isEntryId(key) || !(value instanceof A.ImmutableString) || !value.val.includes(mine) || served(key)) continue
        own.push({ id: key, raw: value.val })
      }
    }
    const { outbox, listener } = this.#options
    const refusals: Refusal[] = []
    const again: Refusal[] = []
    for (const { entries, hash, code, reason, held } of refused) {
      for (const id of entries.length > 0 ? entries : keysOf(doc, hash)) {
        // Another device's is no fault of this phone. Of its own, what is held waits on the server, and would be
        // held again if it were written again.
        if (!isEntryId(id) || (outbox.get(id) === undefined && !own.some((o) => o.id === id))) continue
        if (aboutTheChange.includes(code)) again.push({ id, code, reason, held: false })
        else refusals.push({ id, code, reason, held })
      }
    }
    // While others come to rest, or are counted themselves, what only builds on them does not go round in circles.
    if (refusals.length === 0) {
      const causes = again.filter(({ code }) => code !== "depends")
      refusals.push(...(causes.length > 0 ? causes : again).filter(({ id, code }) => !this.#mayAgain(id, code)))
    }
    // Somebody who sends it again by hand starts from the beginning.
    for (const { id, code, held } of refusals) if (!held) this.#again.delete(`${code} ${id}`)
    try {
      await outbox.refuse(name, refusals, own, this.#options.now())
    } catch (problem) {
      // The storage may be full. Nothing was changed; on the next connection the server says it once more.
      console.error("keeping a refusal", problem)
      this.#mend(() => this.#link?.reconnect())
      return
    }
    this.#store?.shut()
    this.#link?.disconnect()
    this.#known = new Map()
    this.#toldHeads.clear()
    listener.startedOver()
    listener.outbox()
    await this.#buildAnew()
  }

  async #buildAnew(): Promise<void> {
    if (this.#stopped) return
    try {
      await this.#build()
      this.#failures = 0
    } catch (problem) {
      console.error("opening the documents anew", problem)
      this.#store?.shut()
      this.#link?.disconnect()
      this.#mend(() => this.#inLine("opening the documents anew", () => this.#buildAnew()))
    }
  }

  #mend(work: () => void): void {
    clearTimeout(this.#mending)
    if (!this.#stopped) this.#mending = setTimeout(work, backoff(this.#failures++))
  }
}

/** The entry that one is about: the one it voids or replaces. */
function target({ raw }: Parcel): EntryId | undefined {
  const entry = parseEntry(raw)
  return entry?.of ?? entry?.replaces
}

/** Which entries of a copy stand at heads of the server: those that the copy has, with all before them. */
function onHeads(doc: A.Doc<Log>, heads: readonly string[]): (id: EntryId) => boolean {
  const here = heads.filter((head) => A.hasHeads(doc, [head]))
  if (here.length === 0) return () => false
  const backend = A.getBackend(doc)
  return (id) => backend.get("/", id, here) !== undefined
}

function newKeys(doc: A.Doc<Log>, before: A.Heads, after: A.Heads): Set<string> {
  const keys = new Set<string>()
  for (const patch of A.diff(doc, before, after)) {
    const key = patch.path[0]
    if (typeof key === "string") keys.add(key)
  }
  return keys
}

/** The root keys that one change of a document wrote. */
function keysOf(doc: A.Doc<Log>, hash: string): string[] {
  for (const change of A.getAllChanges(doc)) {
    const decoded = A.decodeChange(change)
    if (decoded.hash === hash) return decoded.ops.map((op) => ("key" in op && typeof op.key === "string" ? op.key : "")).filter((k) => k !== "")
  }
  return []
}
