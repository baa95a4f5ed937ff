import type { GateId } from "../../logbook/ids"

/**
 * Whether the cautions of a gate were read and folded away on this day. They
 * stand open each morning anew.
 */
export class Care {
  read = $state(false)
  readonly #key: string
  readonly #day: string

  constructor(gate: GateId, day: string) {
    this.#key = `gatewright care ${gate}`
    this.#day = day
    try {
      this.read = localStorage.getItem(this.#key) === day
    } catch {
      // Without local storage the cautions stand open at each start.
    }
  }

  set(read: boolean): void {
    this.read = read
    try {
      if (read) localStorage.setItem(this.#key, this.#day)
      else localStorage.removeItem(this.#key)
    } catch {
      return
    }
  }
}
