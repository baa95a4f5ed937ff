import type { DeviceId, Instant, PersonId, SiteId } from "../logbook/ids"
import { answer, committed, openDatabase, writeStrictly } from "../storage/database"
import type { Person, Site } from "./api"
import { makeKeys, type DeviceKeys } from "./keys"
import type { Pin } from "./pin"

/** What this browser is at a site: its key pair, and the people who use it. */
export interface Device {
  readonly device: DeviceId
  readonly site: Site
  readonly keys: DeviceKeys
  readonly people: readonly Person[]
  readonly current: PersonId
  /** Who recorded last without a PIN: a phone that locks goes back to them. */
  readonly open?: PersonId
  /** Who was taken off this phone; the server still counts them to it. */
  readonly left?: readonly PersonId[]
  /** Correction of the phone's clock by the last answer of the server, ms. */
  readonly off: Instant
}

/** The enrolments of this browser, one record per site. */
export class Devices {
  readonly #db: IDBDatabase
  private constructor(db: IDBDatabase) {
    this.#db = db
  }

  static async open(): Promise<Devices> {
    return new Devices(
      await openDatabase("gatewright", 1, (db) => {
        db.createObjectStore("devices", { keyPath: "device" })
        db.createObjectStore("choices")
      }),
    )
  }

  async list(): Promise<readonly Device[]> {
    return answer(this.#db.transaction("devices").objectStore("devices").getAll() as IDBRequest<Device[]>)
  }

  async current(): Promise<Device | undefined> {
    const all = await this.list()
    const chosen = (await this.choice("device")) as DeviceId | undefined
    return all.find((d) => d.device === chosen) ?? all[0]
  }

  atSite(all: readonly Device[], site: SiteId): Device | undefined {
    return all.find((d) => d.site.id === site)
  }

  async save(device: Device): Promise<void> {
    await writeStrictly(this.#db, ["devices", "choices"], (t) => {
      t.objectStore("devices").put(device)
      t.objectStore("choices").put(device.device, "device")
      t.objectStore("choices").delete("keys")
    })
  }

  /** The key pair for the next enrolment, kept before it is used, so that an answer lost on the way can be asked for again. */
  async nextKeys(): Promise<DeviceKeys> {
    const kept = (await this.choice("keys")) as DeviceKeys | undefined
    if (kept !== undefined) return kept
    const keys = await makeKeys()
    await writeStrictly(this.#db, ["choices"], (t) => t.objectStore("choices").put(keys, "keys"))
    return keys
  }

  async pins(): Promise<ReadonlyMap<PersonId, Pin> | undefined> {
    return (await this.choice("pins")) as ReadonlyMap<PersonId, Pin> | undefined
  }

  /** A try counts once it is on the disk. */
  async savePins(pins: ReadonlyMap<PersonId, Pin>): Promise<void> {
    await writeStrictly(this.#db, ["choices"], (t) => t.objectStore("choices").put(pins, "pins"))
  }

  async choice(name: string): Promise<unknown> {
    return answer(this.#db.transaction("choices").objectStore("choices").get(name) as IDBRequest<unknown>)
  }

  async choose(name: string, value: unknown): Promise<void> {
    const transaction = this.#db.transaction("choices", "readwrite")
    const done = committed(transaction)
    transaction.objectStore("choices").put(value, name)
    await done
  }
}
