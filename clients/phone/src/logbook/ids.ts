import { v5 as uuid5 } from "uuid"
import { interpretAsDocumentId, type DocumentId } from "@automerge/automerge-repo/slim"
import type { AnyDocumentId } from "@automerge/automerge-repo/slim"

declare const brand: unique symbol
type Branded<Text extends string, Name> = Text & { readonly [brand]: Name }

export type SiteId = Branded<string, "site">
export type PersonId = Branded<string, "person">
export type DeviceId = Branded<string, "device">
export type GateId = Branded<string, "gate">
export type PartId = Branded<string, "part">
export type CheckId = Branded<string, "check">
export type RoundId = Branded<string, "round">
export type EntryId = Branded<string, "entry">
export type DocName = Branded<string, "document name">
/** Milliseconds since 1970 UTC. */
export type Instant = number

export const plan = "plan" as DocName

const crockford = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
const entryId = /^[0-7][0-9A-HJKMNP-TV-Z]{25}$/

export const isEntryId = (text: string): text is EntryId => entryId.test(text)

/** A ULID: 48 bits of time, 80 bits of chance, in Crockford's base 32. */
export function ulid(ms: Instant, random: Uint8Array): EntryId {
  if (random.length !== 10) throw new RangeError("an entry id takes 10 random bytes")
  if (!Number.isInteger(ms) || ms < 0 || ms >= 2 ** 48) throw new RangeError("time outside of what an entry id can hold")
  let time = ""
  for (let rest = ms, i = 0; i < 10; i++) {
    time = crockford.charAt(rest % 32) + time
    rest = Math.floor(rest / 32)
  }
  let chance = ""
  let bits = 0
  let held = 0
  for (const byte of random) {
    held = (held << 8) | byte
    bits += 8
    while (bits >= 5) {
      bits -= 5
      chance += crockford.charAt((held >> bits) & 31)
    }
    held &= (1 << bits) - 1
  }
  return (time + chance) as EntryId
}

/** The time of recording that an entry id carries. */
export function ulidTime(id: EntryId): Instant {
  let ms = 0
  for (const char of id.slice(0, 10)) ms = ms * 32 + crockford.indexOf(char)
  return ms
}

/** The smallest id greater than this one. */
export function successor(id: EntryId): EntryId {
  const chars = [...id]
  for (let i = chars.length - 1; i >= 0; i--) {
    const next = crockford.indexOf(chars[i] ?? "0") + 1
    if (next < 32) {
      chars[i] = crockford.charAt(next)
      return chars.join("") as EntryId
    }
    chars[i] = "0"
  }
  throw new RangeError("no entry id follows the last one")
}

/**
 * Makes entry ids that grow within one millisecond, and past any id that the
 * new entry must follow (a void or a replacement names a smaller id). An id
 * never follows a clock that was ahead and has been put right since: else all
 * that comes later would land in the wrong month.
 */
export class EntryIds {
  #last = "" as EntryId
  readonly #random: () => Uint8Array

  constructor(random: () => Uint8Array = () => crypto.getRandomValues(new Uint8Array(10))) {
    this.#random = random
  }

  next(now: Instant, after?: EntryId): EntryId {
    let id = ulid(now, this.#random())
    if (this.#last !== "" && ulidTime(this.#last) === now && id <= this.#last) id = successor(this.#last)
    this.#last = id
    // A millisecond later rather than the successor, which two phones would both make.
    if (after !== undefined && id <= after) return ulid(ulidTime(after) + 1, this.#random())
    return id
  }
}

/** The month document that an entry belongs to, by its id's UTC month alone. */
export function monthOf(id: EntryId): DocName {
  return monthName(ulidTime(id))
}

export function monthName(ms: Instant): DocName {
  const date = new Date(ms)
  const year = date.getUTCFullYear()
  if (year < 2000 || year > 2099) throw new RangeError("the clock of this phone is outside of the years 2000 to 2099")
  return `log/${year}-${String(date.getUTCMonth() + 1).padStart(2, "0")}` as DocName
}

/** This month and the ones before it, newest first. */
export function recentMonths(now: Instant, count: number): DocName[] {
  const date = new Date(now)
  return Array.from({ length: count }, (_, back) =>
    monthName(Date.UTC(date.getUTCFullYear(), date.getUTCMonth() - back, 1)),
  )
}

/** Documents have the same id on every replica: UUIDv5 of the site and the name. */
export function documentId(site: SiteId, name: DocName): DocumentId {
  const bytes = uuid5(name, site, new Uint8Array(16)) as Uint8Array
  return interpretAsDocumentId(bytes as unknown as AnyDocumentId)
}
