import type { Parcel } from "../outbox/outbox"
import type { Session } from "./session.svelte"

/** What the browser tests read: facts that the screens show too, in full. It changes nothing. */
export interface TestHook {
  /** The rules' output, byte for byte; empty before the first. */
  rules(): string
  /** The plan's projection. */
  plan(): string
  /** What waits for the server, and what was not accepted. */
  outbox(): readonly Parcel[]
  /** The texts of all entries that count, by id. */
  entries(): readonly string[]
  link(): string
  /** Ids and names of the people on this phone. */
  people(): readonly (readonly [string, string])[]
  /** Months that stayed shut, since what they say was remembered. */
  unopened(): readonly string[]
  /** Whether what closed months say is remembered for the next start. */
  remembered(): boolean
  /** One calculation by the phone's own module: the answer, or the error, byte for byte. */
  calculate(name: string, json: string): Promise<string>
}

declare global {
  interface Window {
    readonly __gatewright: TestHook
  }
}

export function openHook(session: Session, calculate: TestHook["calculate"]): void {
  const hook: TestHook = {
    rules: () => session.rulesText,
    plan: () => session.planText,
    outbox: () => session.parcels,
    entries: () => [...session.entries.values()].sort((a, b) => (a.id < b.id ? -1 : 1)).map((e) => e.raw),
    link: () => session.link,
    people: () => (session.device?.people ?? []).map((p) => [p.id, p.name] as const),
    unopened: () => session.unopened,
    remembered: () => session.remembered,
    calculate,
  }
  Object.defineProperty(window, "__gatewright", { value: Object.freeze(hook) })
}
