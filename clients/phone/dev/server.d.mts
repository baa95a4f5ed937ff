import type { DocName, EntryId } from "../src/logbook/ids"

export interface StandIn {
  readonly port: number
  readonly state: {
    ended: boolean
    /** Judges a change before the stand-in does: the code it is refused with. */
    judge: ((change: { readonly actor: string; readonly text: string }) => string | undefined) | undefined
  }
  /** The address of a socket, as a ticket would give it. */
  address(): string
  month(): DocName
  entries(): string[]
  enter(fields: { readonly kind: string; readonly text?: string }, at?: number): EntryId
  lose(name: DocName): void
  accept(raw: string): void
  drop(): void
  close(): Promise<void>
}
export function startServer(options?: { readonly port?: number; readonly dist?: string; readonly history?: boolean }): Promise<StandIn>
