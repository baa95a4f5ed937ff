import type { DocName } from "../src/logbook/ids"

export interface StandIn {
  readonly port: number
  readonly state: { ended: boolean }
  /** The address of a socket, as a ticket would give it. */
  address(): string
  month(): DocName
  entries(): string[]
  enter(fields: { readonly kind: string; readonly text?: string }): void
  accept(raw: string): void
  drop(): void
  close(): Promise<void>
}
export function startServer(options?: { readonly port?: number; readonly dist?: string; readonly history?: boolean }): Promise<StandIn>
