import type { Person } from "../device/api"
import type { Device, Devices } from "../device/device"
import { counted, fits, forgiven, makePin, waitOf, type Pin } from "../device/pin"
import type { Instant, PersonId } from "../logbook/ids"

/** How long a phone lies untouched before somebody with a PIN is locked out, ms. */
export const idleFor = 300_000

/** What became of a try. */
export type Tried = { readonly is: "in" } | { readonly is: "wrong" } | { readonly is: "wait" }

const ended = (person: Person, now: Instant): boolean => person.until !== undefined && person.until <= now

/** A manager on a phone that others use, too, has a PIN: the phone lies about, and the tile is one tap. */
export const mustHavePin = (person: Person | undefined, people: readonly Person[]): boolean => person?.role === "manager" && people.length > 1

/** To whom a phone that is locked goes back: the last person without a PIN, if they may still record. */
export function backTo(device: Pick<Device, "people" | "open">, pins: ReadonlySet<PersonId>, now: Instant): PersonId | undefined {
  const person = device.people.find((p) => p.id === device.open)
  if (person === undefined || pins.has(person.id) || ended(person, now) || mustHavePin(person, device.people)) return undefined
  return person.id
}

/** PINs of the people on this phone, and whether anybody records at all. All of it works without a network. */
export class Lock {
  #pins = $state.raw<ReadonlyMap<PersonId, Pin>>(new Map())
  /** Nobody records now: the tiles are shown. */
  shut = $state(false)
  readonly #clock: () => Instant
  #devices: Devices | undefined
  #touched: Instant
  #trying = false

  constructor(clock: () => Instant) {
    this.#clock = clock
    this.#touched = clock()
  }

  async load(devices: Devices): Promise<void> {
    this.#devices = devices
    this.#pins = (await devices.pins()) ?? new Map()
  }

  has(person: PersonId): boolean {
    return this.#pins.has(person)
  }

  get withPin(): ReadonlySet<PersonId> {
    return new Set(this.#pins.keys())
  }

  async #put(person: PersonId, pin: Pin | undefined): Promise<void> {
    const pins = new Map(this.#pins)
    if (pin === undefined) pins.delete(person)
    else pins.set(person, pin)
    await this.#devices?.savePins(pins)
    this.#pins = pins
  }

  readonly set = async (person: PersonId, digits: string): Promise<void> => this.#put(person, await makePin(digits))
  readonly remove = async (person: PersonId): Promise<void> => this.#put(person, undefined)

  /** How long the next try has to wait, ms. */
  wait(person: PersonId): number {
    const pin = this.#pins.get(person)
    return pin === undefined ? 0 : waitOf(pin, this.#clock())
  }

  /** Tries a PIN. Somebody without one is let in. */
  readonly try = async (person: PersonId, digits: string): Promise<Tried> => {
    const pin = this.#pins.get(person)
    if (pin === undefined) return { is: "in" }
    if (this.#trying || waitOf(pin, this.#clock()) > 0) return { is: "wait" }
    this.#trying = true
    try {
      await this.#put(person, counted(pin, this.#clock()))
      if (!(await fits(pin, digits))) return { is: "wrong" }
      await this.#put(person, forgiven(pin))
      return { is: "in" }
    } finally {
      this.#trying = false
    }
  }

  readonly touch = (): void => {
    this.#touched = this.#clock()
  }

  /** The phone has lain untouched for so long that it locks. */
  get idle(): boolean {
    return this.#clock() - this.#touched >= idleFor
  }
}
