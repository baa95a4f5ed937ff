import type { Instant } from "../logbook/ids"
import { say } from "./say"

const formats = new Map<string, Intl.DateTimeFormat>()

function format(zone: string, how: string, options: Intl.DateTimeFormatOptions): Intl.DateTimeFormat {
  const key = zone + how
  let found = formats.get(key)
  if (found === undefined) {
    try {
      found = new Intl.DateTimeFormat("en-GB", { ...options, timeZone: zone })
    } catch {
      // A zone that this browser has not heard of: the phone's own is nearest.
      found = new Intl.DateTimeFormat("en-GB", options)
    }
    formats.set(key, found)
  }
  return found
}

/** The site's local date of an instant, as a sortable text. */
export function dateKey(at: Instant, zone: string): string {
  const parts = format(zone, "key", { year: "numeric", month: "2-digit", day: "2-digit" }).formatToParts(at)
  const part = (type: string): string => parts.find((p) => p.type === type)?.value ?? ""
  return `${part("year")}-${part("month")}-${part("day")}`
}

export const clockTime = (at: Instant, zone: string): string => format(zone, "clock", { hour: "2-digit", minute: "2-digit" }).format(at)

export const longDay = (at: Instant, zone: string): string => format(zone, "day", { weekday: "short", day: "numeric", month: "short" }).format(at)

/** A day with its year, for what may lie far off. */
export const fullDay = (at: Instant, zone: string): string => format(zone, "full", { day: "numeric", month: "short", year: "numeric" }).format(at)

/** Midnight at the end of a day belongs to that day: "by 24:00". */
function endOfDay(at: Instant, zone: string): boolean {
  return clockTime(at, zone) === "00:00"
}

/** A time with as much of its day as is needed: 05:40, yesterday 05:40, Mon 23 Nov 05:40, and from a week away the day alone. */
export function when(at: Instant, now: Instant, zone: string): string {
  const day = 86_400_000
  const key = dateKey(at, zone)
  const time = clockTime(at, zone)
  if (key === dateKey(now, zone)) return time
  if (key === dateKey(now - day, zone)) return `${say("day.yesterday")} ${time}`
  if (key === dateKey(now + day, zone)) return `${say("day.tomorrow")} ${time}`
  return Math.abs(now - at) > 7 * day ? longDay(at, zone) : `${longDay(at, zone)} ${time}`
}

/** The end of something: midnight is called the end of the day before. */
export function until(at: Instant, now: Instant, zone: string): string {
  if (!endOfDay(at, zone)) return when(at, now, zone)
  const before = at - 1
  const key = dateKey(before, zone)
  if (key === dateKey(now, zone)) return `${say("day.today")} 24:00`
  if (key === dateKey(now - 86_400_000, zone)) return `${say("day.yesterday")} 24:00`
  return longDay(before, zone)
}

export function age(at: Instant, now: Instant): string {
  const minutes = Math.floor((now - at) / 60_000)
  if (minutes < 1) return say("age.now")
  if (minutes < 60) return say("age.minutes", { n: minutes })
  if (minutes < 48 * 60) return say("age.hours", { n: Math.floor(minutes / 60) })
  return say("age.days", { n: Math.floor(minutes / 1440) })
}
