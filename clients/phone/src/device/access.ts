import type { Instant } from "../logbook/ids"
import type { Api, Token } from "./api"
import type { Device } from "./device"
import { base64url, signWith } from "./keys"

/**
 * The device's access to the server: proves its key for a token, keeps that in
 * memory only, and tells how far the phone's clock is off. Nothing here stands
 * in the way of recording.
 */
export class Access {
  readonly #api: Api
  readonly #device: () => Device
  readonly #clock: () => Instant
  readonly #onOffset: (off: number) => void
  #held: Token | undefined
  #asking: Promise<Token> | undefined

  constructor(api: Api, device: () => Device, clock: () => Instant, onOffset: (off: number) => void) {
    this.#api = api
    this.#device = device
    this.#clock = clock
    this.#onOffset = onOffset
  }

  /** A token that is good for another half minute at least. */
  async token(): Promise<Token> {
    if (this.#held !== undefined && this.#held.until - 30_000 > this.#clock()) return this.#held
    this.#asking ??= this.#prove().finally(() => (this.#asking = undefined))
    return this.#asking
  }

  /** Forgets the token, for instance after the server has refused it. */
  forget(): void {
    this.#held = undefined
  }

  async #prove(): Promise<Token> {
    const { device, keys } = this.#device()
    const challenge = await this.#api.challenge(device)
    const signature = await signWith(keys, new TextEncoder().encode(`gatewright challenge v1\n${device}\n${challenge}`))
    const sent = this.#clock()
    const token = await this.#api.token(device, challenge, base64url(signature), sent)
    this.#held = token
    // The server read its clock about half way between sending and receiving.
    this.#onOffset(clockOffset(token.serverTime, sent, this.#clock()))
    return token
  }
}

/** The correction to add to the phone's clock; what the way alone can explain counts as none. */
export function clockOffset(serverTime: Instant, sent: Instant, received: Instant): number {
  const off = Math.round(serverTime - (sent + received) / 2)
  return Math.abs(off) <= Math.max(1000, received - sent) ? 0 : off
}
