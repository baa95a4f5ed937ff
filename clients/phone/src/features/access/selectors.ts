import type { Invited, Person, Phone } from "../../device/api"
import type { DeviceId, Instant } from "../../logbook/ids"

/** The site's people: who has access now or later, and whose has ended, the last to end first. */
export function byAccess(people: readonly Person[], now: Instant): { readonly open: readonly Person[]; readonly ended: readonly Person[] } {
  const over = (p: Person): boolean => p.until !== undefined && p.until <= now
  return { open: people.filter((p) => !over(p)), ended: people.filter(over).sort((a, b) => (b.until ?? 0) - (a.until ?? 0)) }
}

/** The site's phones: this one first, then those in use by when they were last seen, the revoked ones last. */
export function inOrder(phones: readonly Phone[], here: DeviceId | undefined): readonly Phone[] {
  const rank = (p: Phone): number => (p.id === here ? 0 : p.revoked === undefined ? 1 : 2)
  return [...phones].sort((a, b) => rank(a) - rank(b) || (b.seen ?? b.created) - (a.seen ?? a.created) || (a.id < b.id ? -1 : 1))
}

/** A code in two halves, as it is read out. */
export const inHalves = (code: string): string => `${code.slice(0, code.length / 2)} ${code.slice(code.length / 2)}`

/** Whole minutes for which a typed code still holds; 0 when it has run out. */
export const minutesLeft = (invited: Invited, now: Instant): number => Math.max(0, Math.ceil((invited.shortExpires - now) / 60_000))

/** How far a zone is from UTC at an instant, ms. */
function offsetAt(at: Instant, zone: string): number {
  const parts = new Intl.DateTimeFormat("en-GB", { timeZone: zone, year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric", hourCycle: "h23" }).formatToParts(at)
  const part = (type: string): number => Number(parts.find((p) => p.type === type)?.value)
  return Date.UTC(part("year"), part("month") - 1, part("day"), part("hour"), part("minute"), part("second")) - Math.floor(at / 1000) * 1000
}

/** The end of a local day (YYYY-MM-DD) at the site: the midnight after it. Undefined when it is no day. */
export function endOfDay(day: string, zone: string): Instant | undefined {
  const read = /^(\d{4})-(\d{2})-(\d{2})$/.exec(day)
  if (read === null) return undefined
  const [year, month, date] = [Number(read[1]), Number(read[2]), Number(read[3])]
  const named = new Date(Date.UTC(year, month - 1, date))
  if (named.getUTCMonth() !== month - 1 || named.getUTCDate() !== date) return undefined
  const wall = Date.UTC(year, month - 1, date + 1)
  // The offset of about then, and once more of then: the clocks may change that night.
  const about = wall - offsetAt(wall, zone)
  return wall - offsetAt(about, zone)
}
