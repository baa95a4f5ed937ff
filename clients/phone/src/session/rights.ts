import type { Role } from "../device/api"
import table from "./rights.json"

// What a screen offers to a role, by the server's own table (rights.json is
// generated from it). The server decides and refuses; this only keeps buttons
// away that would lead to a refusal.

const row = (role: Role | undefined) => table.find((r) => r.role === role)

export const mayWrite = (role: Role | undefined, kind: string): boolean => row(role)?.writes?.includes(kind) ?? false

/** Whose entries a role may withdraw. */
export function mayVoid(role: Role | undefined, own: boolean): boolean {
  const voids = row(role)?.voids
  return voids === "any" || (voids === "own" && own)
}
