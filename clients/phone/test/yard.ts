import { readFileSync } from "node:fs"
import { IDBFactory } from "fake-indexeddb"
import { initializeWasm, type Chunk, type StorageAdapterInterface, type StorageKey } from "@automerge/automerge-repo/slim"
import { WebSocket as NodeWebSocket } from "ws"
import { Documents } from "../src/documents/documents"
import { encodeEntry, type Doing } from "../src/logbook/entry"
import { EntryIds, monthOf, type DeviceId, type EntryId, type PersonId, type SiteId } from "../src/logbook/ids"
import { Outbox, type Parcel } from "../src/outbox/outbox"
import { site } from "../dev/site.mjs"
import { startServer } from "../dev/server.mjs"

// Phones without a screen: the real outbox, documents and link, on storage
// that can be carried over a crash, against the stand-in server.

export type Server = Awaited<ReturnType<typeof startServer>>
export { startServer }

export async function ready(): Promise<void> {
  // The few things of a page that the link listens to.
  Object.assign(globalThis, {
    addEventListener: () => undefined,
    removeEventListener: () => undefined,
    document: { visibilityState: "visible", addEventListener: () => undefined, removeEventListener: () => undefined },
  })
  await initializeWasm(readFileSync(new URL("../node_modules/@automerge/automerge/dist/automerge.wasm", import.meta.url)))
}

/** Storage in memory; what is in it survives the phone that used it. */
export class Disk implements StorageAdapterInterface {
  readonly chunks = new Map<string, Uint8Array>()
  readonly #key = (key: StorageKey): string => JSON.stringify(key)
  load(key: StorageKey): Promise<Uint8Array | undefined> {
    return Promise.resolve(this.chunks.get(this.#key(key)))
  }
  save(key: StorageKey, data: Uint8Array): Promise<void> {
    this.chunks.set(this.#key(key), data)
    return Promise.resolve()
  }
  remove(key: StorageKey): Promise<void> {
    this.chunks.delete(this.#key(key))
    return Promise.resolve()
  }
  loadRange(prefix: StorageKey): Promise<Chunk[]> {
    const found = [...this.chunks].map(([k, data]) => ({ key: JSON.parse(k) as StorageKey, data })).filter(({ key }) => prefix.every((p, i) => key[i] === p))
    return Promise.resolve(found)
  }
  async removeRange(prefix: StorageKey): Promise<void> {
    for (const { key } of await this.loadRange(prefix)) await this.remove(key)
  }
}

let phones = 0

/** What of a phone is left when its battery falls out. */
export interface Remains {
  readonly disk: Disk
  readonly idb: IDBFactory
  readonly device: DeviceId
}

export class Phone {
  readonly entries = new Map<EntryId, string>()
  link = "offline"
  restarts = 0
  /** Every entry that ever stood in the outbox of this run. */
  readonly everInOutbox = new Set<EntryId>()
  readonly #ids = new EntryIds()
  readonly #changed = new Set<() => void>()

  private constructor(
    readonly remains: Remains,
    readonly outbox: Outbox,
    readonly documents: Documents,
  ) {}

  static async start(server: Server | undefined, remains: Remains = { disk: new Disk(), idb: new IDBFactory(), device: `d00000000${++phones}` as DeviceId }): Promise<Phone> {
    globalThis.indexedDB = remains.idb
    const outbox = await Outbox.open("outbox")
    const box: { phone?: Phone } = {}
    const documents = new Documents({
      site: site.id as SiteId,
      device: remains.device,
      outbox,
      storage: remains.disk,
      address: () => (server === undefined ? Promise.reject(new Error("no network")) : Promise.resolve(server.address())),
      open: (address) => new NodeWebSocket(address) as unknown as WebSocket,
      now: Date.now,
      listener: {
        entries: (raws) => box.phone?.take(raws),
        planChanges: () => undefined,
        heads: () => undefined,
        link: (state) => {
          if (box.phone !== undefined) box.phone.link = state
          box.phone?.tell()
        },
        outbox: () => box.phone?.tell(),
        startedOver: () => {
          if (box.phone === undefined) return
          box.phone.restarts++
          box.phone.entries.clear()
          box.phone.take(outbox.waiting().map((p) => p.raw))
        },
        identityRefused: () => undefined,
      },
    })
    box.phone = new Phone(remains, outbox, documents)
    box.phone.take(outbox.waiting().map((p) => p.raw))
    await documents.start()
    return box.phone
  }

  take(raws: readonly string[]): void {
    for (const raw of raws) this.entries.set((JSON.parse(raw) as { id: EntryId }).id, raw)
    this.tell()
  }

  tell(): void {
    for (const { id } of this.outbox.parcels) this.everInOutbox.add(id)
    for (const look of this.#changed) look()
  }

  parcel(doing: Doing): Parcel {
    const id = this.#ids.next(Date.now(), "of" in doing ? doing.of : undefined)
    const raw = encodeEntry(doing, { id, at: Date.now(), off: 0, by: "pdan000001" as PersonId, dev: this.remains.device })
    return { id, raw, document: monthOf(id), state: "waiting" }
  }

  record(text: string): Promise<EntryId> {
    return this.do({ kind: "note", text })
  }

  async do(doing: Doing): Promise<EntryId> {
    const parcel = this.parcel(doing)
    await this.outbox.add([parcel])
    this.take([parcel.raw])
    await this.documents.write([parcel])
    return parcel.id
  }

  /** Waits for a state, not for a time. */
  until(what: string, holds: (phone: Phone) => boolean): Promise<void> {
    return new Promise((resolve, reject) => {
      // What a test asks of the server, no phone tells.
      const often = setInterval(() => look(), 50)
      const late = setTimeout(() => {
        clearInterval(often)
        this.#changed.delete(look)
        reject(new Error(`${what}: not reached; link ${this.link}, outbox ${JSON.stringify(this.outbox.parcels)}`))
      }, 15_000)
      const look = (): void => {
        if (!holds(this)) return
        clearTimeout(late)
        clearInterval(often)
        this.#changed.delete(look)
        resolve()
      }
      this.#changed.add(look)
      look()
    })
  }

  get texts(): string[] {
    return [...this.entries.values()].map((raw) => (JSON.parse(raw) as { text?: string }).text ?? "").filter((t) => t !== "")
  }

  async stop(): Promise<void> {
    await this.documents.stop()
    this.outbox.close()
  }
}
