import type { DocName, EntryId, Instant } from "../logbook/ids"
import { answer, committed, openDatabase, writeStrictly } from "../storage/database"

/**
 * One entry on its way to the server, in the exact text that was recorded.
 * waiting: not yet acknowledged. held: the server has it and waits for
 * something to confirm it. refused: the server did not accept it; kept, listed
 * and exportable, and never sent again by itself. Whatever its state, it leaves
 * when the server's log holds it in the same text.
 */
export type Parcel = {
  readonly id: EntryId
  readonly raw: string
  readonly document: DocName
} & ({ readonly state: "waiting" } | { readonly state: "held" | "refused"; readonly code: string; readonly reason: string; readonly refusedAt: Instant })

/** A parcel that did not come into the log. */
export type TurnedAway = Exclude<Parcel, { readonly state: "waiting" }>

export const turnedAway = (parcel: Parcel): parcel is TurnedAway => parcel.state !== "waiting"

export interface Refusal {
  readonly id: EntryId
  readonly code: string
  readonly reason: string
  /** Not refused for good: the server keeps it until something confirms it. */
  readonly held: boolean
}

/**
 * The outbox: the phone's own promise. An entry is "saved" when add() has
 * returned, because only then has the disk confirmed it; it leaves when the
 * server's acknowledged heads cover it.
 */
export class Outbox {
  readonly #db: IDBDatabase
  #forgettings = 0
  readonly #parcels = new Map<EntryId, Parcel>()

  private constructor(db: IDBDatabase, parcels: readonly Parcel[]) {
    this.#db = db
    for (const parcel of parcels) this.#parcels.set(parcel.id, parcel)
  }

  static async open(name: string): Promise<Outbox> {
    const db = await openDatabase(name, 1, (d) => {
      d.createObjectStore("parcels", { keyPath: "id" })
      d.createObjectStore("facts")
    })
    const parcels = await answer(db.transaction("parcels").objectStore("parcels").getAll() as IDBRequest<Parcel[]>)
    return new Outbox(db, parcels)
  }

  get parcels(): readonly Parcel[] {
    return [...this.#parcels.values()]
  }

  get(id: EntryId): Parcel | undefined {
    return this.#parcels.get(id)
  }

  waiting(document?: DocName): readonly Parcel[] {
    return this.parcels.filter((p) => p.state === "waiting" && (document === undefined || p.document === document))
  }

  /** What is not in the log: refused, or held until it is confirmed. */
  turnedAway(): readonly TurnedAway[] {
    return this.parcels.filter(turnedAway)
  }

  /** Keeps entries; returns once they are on the disk. All or none. */
  async add(entries: readonly { readonly id: EntryId; readonly raw: string; readonly document: DocName }[]): Promise<void> {
    const parcels = entries.filter((e) => !this.#parcels.has(e.id)).map((e): Parcel => ({ ...e, state: "waiting" }))
    if (parcels.length === 0) return
    await writeStrictly(this.#db, ["parcels"], (t) => {
      for (const parcel of parcels) t.objectStore("parcels").put(parcel)
    })
    for (const parcel of parcels) this.#parcels.set(parcel.id, parcel)
  }

  /** Lets go of entries that the server has. */
  async release(ids: readonly EntryId[]): Promise<void> {
    if (ids.length === 0) return
    await writeStrictly(this.#db, ["parcels"], (t) => {
      for (const id of ids) t.objectStore("parcels").delete(id)
    })
    for (const id of ids) this.#parcels.delete(id)
  }

  /**
   * One step of taking in a refusal: marks what was refused or held, takes back
   * what this phone wrote beside it and the server lacks, and notes that the document's local copy has to
   * go. In one write, so that a crash leaves all of it or none.
   */
  async refuse(
    document: DocName,
    refusals: readonly Refusal[],
    own: readonly { readonly id: EntryId; readonly raw: string }[],
    now: Instant,
  ): Promise<void> {
    const changed: Parcel[] = []
    const told = new Map(refusals.map((r) => [r.id, r]))
    const seen = new Map<EntryId, { readonly id: EntryId; readonly raw: string }>()
    for (const entry of own) seen.set(entry.id, entry)
    for (const parcel of this.#parcels.values()) if (told.has(parcel.id)) seen.set(parcel.id, parcel)
    for (const { id, raw } of seen.values()) {
      const refusal = told.get(id)
      const kept = this.#parcels.get(id)
      if (refusal !== undefined) changed.push({ id, raw, document, state: stateOf(refusal), code: refusal.code, reason: refusal.reason, refusedAt: now })
      else if (kept === undefined) changed.push({ id, raw, document, state: "waiting" })
    }
    this.#forgettings++
    await writeStrictly(this.#db, ["parcels", "facts"], (t) => {
      for (const parcel of changed) t.objectStore("parcels").put(parcel)
      t.objectStore("facts").put(true, `drop ${document}`)
      // What is remembered may say what the dropped copy said.
      t.objectStore("facts").delete(remembered)
    })
    for (const parcel of changed) this.#parcels.set(parcel.id, parcel)
  }

  /** Puts a refused entry in line again, in the same text. */
  async retry(id: EntryId): Promise<Parcel | undefined> {
    return this.#wait(id, "refused")
  }

  /** Puts a held entry in line again, in the same text: the server has lost it. */
  async resume(id: EntryId): Promise<Parcel | undefined> {
    return this.#wait(id, "held")
  }

  async #wait(id: EntryId, state: Parcel["state"]): Promise<Parcel | undefined> {
    const kept = this.#parcels.get(id)
    if (kept?.state !== state) return undefined
    const parcel: Parcel = { id, raw: kept.raw, document: kept.document, state: "waiting" }
    await writeStrictly(this.#db, ["parcels"], (t) => t.objectStore("parcels").put(parcel))
    this.#parcels.set(id, parcel)
    return parcel
  }

  /** Marks entries as not accepted without a document to drop: their way to the server has ended. */
  async turnAway(refusals: readonly Refusal[], now: Instant): Promise<void> {
    const changed = refusals.flatMap(({ id, code, reason }): Parcel[] => {
      const kept = this.#parcels.get(id)
      return kept === undefined ? [] : [{ id, raw: kept.raw, document: kept.document, state: "refused", code, reason, refusedAt: now }]
    })
    await writeStrictly(this.#db, ["parcels"], (t) => {
      for (const parcel of changed) t.objectStore("parcels").put(parcel)
    })
    for (const parcel of changed) this.#parcels.set(parcel.id, parcel)
  }

  /** Lets go of a refused entry for good: a person has decided that it is not needed. */
  async forget(id: EntryId): Promise<void> {
    if (this.#parcels.get(id)?.state === "refused") await this.release([id])
  }

  /** Documents whose local copy has to be dropped before they are opened. */
  async toDrop(): Promise<readonly DocName[]> {
    const keys = await answer(this.#db.transaction("facts").objectStore("facts").getAllKeys())
    return keys.filter((k): k is string => typeof k === "string" && k.startsWith("drop ")).map((k) => k.slice(5) as DocName)
  }

  async dropped(document: DocName): Promise<void> {
    await writeStrictly(this.#db, ["facts"], (t) => t.objectStore("facts").delete(`drop ${document}`))
  }

  async fact(name: string): Promise<unknown> {
    return answer(this.#db.transaction("facts").objectStore("facts").get(name) as IDBRequest<unknown>)
  }

  async note(name: string, value: unknown): Promise<void> {
    await writeStrictly(this.#db, ["facts"], (t) => t.objectStore("facts").put(value, name))
  }

  /** What was remembered of closed months. */
  recall(): Promise<unknown> {
    return this.fact(remembered)
  }

  /** Grows when what is remembered has to be forgotten. */
  get forgettings(): number {
    return this.#forgettings
  }

  /** Remembers closed months, unless something was forgotten since the count was taken; says whether it did. */
  async remember(value: unknown, forgettings: number): Promise<boolean> {
    if (forgettings !== this.#forgettings) return false
    await this.noteLightly(remembered, value)
    return forgettings === this.#forgettings
  }

  /** Notes something that can be worked out again: it need not wait for the disk. */
  async noteLightly(name: string, value: unknown): Promise<void> {
    const transaction = this.#db.transaction("facts", "readwrite")
    const done = committed(transaction)
    transaction.objectStore("facts").put(value, name)
    await done
  }

  close(): void {
    this.#db.close()
  }
}

const remembered = "remembered"

const stateOf = (refusal: Refusal): "held" | "refused" => (refusal.held ? "held" : "refused")
