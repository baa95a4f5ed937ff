import type { Role } from "../device/api"

// What a screen offers to a role. The server decides and refuses; this only
// keeps buttons away that would lead to a refusal.

const writes: Readonly<Record<Role, "all" | "all but dismissing" | "nothing">> = {
  manager: "all",
  crew: "all but dismissing",
  contractor: "all but dismissing",
  technician: "nothing",
  viewer: "nothing",
}

export function mayWrite(role: Role | undefined, kind: string): boolean {
  if (role === undefined) return false
  const may = writes[role]
  return may === "all" || (may === "all but dismissing" && kind !== "dismiss")
}

/** Whose entries a role may withdraw. */
export const mayVoid = (role: Role | undefined, own: boolean): boolean => mayWrite(role, "void") && (own || role === "manager")
