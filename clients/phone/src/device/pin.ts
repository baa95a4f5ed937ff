import type { Instant } from "../logbook/ids"

// A person's PIN on a shared phone. It keeps colleagues from recording under
// another's name, without a network. It is no safe: whoever takes the phone's
// storage apart can try all PINs, slowly. What only managers do asks the server.

/** What is kept of a PIN: enough to know it again, and how often it was wrong. */
export interface Pin {
  readonly salt: Uint8Array<ArrayBuffer>
  readonly iterations: number
  readonly hash: Uint8Array<ArrayBuffer>
  /** Wrong tries in a row. */
  readonly wrong: number
  /** No try before this, on the phone's own clock. */
  readonly until: Instant
}

/** What a new PIN must be. */
export const isPin = (digits: string): boolean => /^[0-9]{4,8}$/.test(digits)

export const fewestIterations = 200_000
const mostIterations = 20_000_000
/** How long one try should take on this device, ms. */
const wanted = 300
const sample = 50_000

async function derive(digits: string, salt: Uint8Array<ArrayBuffer>, iterations: number): Promise<Uint8Array<ArrayBuffer>> {
  const key = await crypto.subtle.importKey("raw", new TextEncoder().encode(digits), "PBKDF2", false, ["deriveBits"])
  return new Uint8Array(await crypto.subtle.deriveBits({ name: "PBKDF2", hash: "SHA-256", salt, iterations }, key, 256))
}

/** As many iterations as take about 300 ms here, by a sample that took so long; never fewer than 200,000. */
export function iterationsFor(sampleMs: number): number {
  const fit = Math.round((sample * wanted) / Math.max(sampleMs, 0.001))
  return Math.min(mostIterations, Math.max(fewestIterations, fit))
}

/** Makes what is kept of a PIN, as slow to try as this device bears. */
export async function makePin(digits: string, clock: () => number = () => performance.now()): Promise<Pin> {
  if (!isPin(digits)) throw new RangeError("a PIN has 4 to 8 digits")
  const salt = crypto.getRandomValues(new Uint8Array(16))
  const start = clock()
  await derive(digits, salt, sample)
  const iterations = iterationsFor(clock() - start)
  return { salt, iterations, hash: await derive(digits, salt, iterations), wrong: 0, until: 0 }
}

export async function fits(pin: Pin, digits: string): Promise<boolean> {
  const hash = await derive(digits, pin.salt, pin.iterations)
  let differ = hash.length ^ pin.hash.length
  for (const [i, byte] of hash.entries()) differ |= byte ^ (pin.hash[i] ?? 0)
  return differ === 0
}

/** How long to wait after so many wrong tries in a row, ms: not at all for the first two, then 15 s, doubled each time, an hour at most. */
export const delayAfter = (wrong: number): number => (wrong < 3 ? 0 : Math.min(3_600_000, 15_000 * 2 ** (wrong - 3)))

/** How long nothing may be tried, ms. A clock that was set back does not make it longer. */
export const waitOf = (pin: Pin, now: Instant): number => Math.max(0, Math.min(pin.until - now, delayAfter(pin.wrong)))

/** A try is counted before it is looked at, so that a reload at the right moment gives none away. */
export const counted = (pin: Pin, now: Instant): Pin => ({ ...pin, wrong: pin.wrong + 1, until: now + delayAfter(pin.wrong + 1) })

export const forgiven = (pin: Pin): Pin => ({ ...pin, wrong: 0, until: 0 })
