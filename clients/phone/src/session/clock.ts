import type { Instant } from "../logbook/ids"

/** The phone's clock, corrected by the last known offset to the server's. */
export class Clock {
  off: number
  readonly #device: () => Instant

  constructor(off: number, device: () => Instant = Date.now) {
    this.off = off
    this.#device = device
  }

  readonly raw = (): Instant => this.#device()
  readonly now = (): Instant => this.#device() + this.off
}
