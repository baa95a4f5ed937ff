/** Up to two letters that stand for a name on a tile. */
export function initials(name: string): string {
  const letters = name
    .split(/\s+/)
    .filter((word) => word !== "")
    .slice(0, 2)
    .map((word) => [...word][0]?.toUpperCase() ?? "")
  return letters.join("") || "?"
}
