import type { Instant } from "../logbook/ids"
import type { LinkState } from "../network/link"
import type { Parcel } from "../outbox/outbox"
import type { MarkName } from "../look/marks"
import { say } from "../wording/say"
import { when } from "../wording/when"

/** The truth about the server in few words: what is not there yet, since when all is, and what was turned away. */
export interface SyncTruth {
  readonly waiting: number
  /** The server has it and waits for something to confirm it. */
  readonly held: number
  readonly refused: number
  readonly mark: MarkName
  /** Of the connection alone, whatever was not accepted. */
  readonly linkMark: MarkName
  readonly short: string
  readonly long: readonly string[]
}

export function syncTruth(parcels: readonly Parcel[], link: LinkState, safeAt: Instant | undefined, now: Instant, zone: string): SyncTruth {
  const refused = parcels.filter((p) => p.state === "refused").length
  const held = parcels.filter((p) => p.state === "held").length
  const waiting = parcels.length - refused - held
  const time = safeAt === undefined ? undefined : when(safeAt, now, zone)
  const connection = { offline: say("sync.offline.long"), connecting: say("sync.connecting.long"), online: say("sync.online.long"), ended: say("sync.ended.long") }[link]
  const parts: string[] = []
  if (link === "ended") parts.push(say("sync.ended"))
  else if (link === "offline") parts.push(say("sync.offline"))
  if (waiting > 0) parts.push(say("sync.waiting", { n: waiting }))
  if (refused > 0) parts.push(say("sync.refused", { n: refused }))
  if (held > 0) parts.push(say("sync.held", { n: held }))
  // Beside what is wrong there is no room for what is well; the longer sentences say both.
  if (waiting + refused === 0 && link !== "offline") parts.push(time === undefined ? say(link === "online" ? "sync.never" : "sync.connecting") : say("sync.safe", { time }))
  const long = [connection]
  if (waiting > 0) long.push(say("sync.waiting.long", { n: waiting }))
  long.push(time === undefined ? say("sync.never.long") : say("sync.safe.long", { time }))
  if (held > 0) long.push(say("sync.held.long", { n: held }))
  if (refused > 0) long.push(say("sync.refused.long", { n: refused }))
  const linkMark: MarkName = link === "ended" ? "refused" : link === "offline" ? "offline" : waiting > 0 ? "waiting" : "safe"
  const mark: MarkName = refused > 0 ? "refused" : linkMark === "safe" && held > 0 ? "held" : linkMark
  return { waiting, held, refused, mark, linkMark, short: parts.join(", "), long }
}
