const shown = new Intl.NumberFormat(undefined, { maximumFractionDigits: 6, useGrouping: false })

/** The decimal separator of the phone's language. */
export const separator: string = new Intl.NumberFormat(undefined).formatToParts(1.5).find((p) => p.type === "decimal")?.value ?? "."

export const showNumber = (value: number): string => shown.format(value)

export const units: Readonly<Record<string, string>> = { C: "°C", F: "°F", deg: "°", "%": "%", count: "" }
export const showUnit = (unit: string): string => units[unit] ?? unit

export const quantity = (value: number, unit: string): string => `${showNumber(value)} ${showUnit(unit)}`.trim()

export type Parsed = { readonly is: "number"; readonly value: number } | { readonly is: "wrong"; readonly why: "empty" | "separators" | "not" | "large" | "fine" }

/**
 * Reads a number as people type it: digits with at most one comma or point, no
 * thousands separators. What it takes can be stored exactly in millionths.
 */
export function parseNumber(text: string): Parsed {
  const typed = text.trim().replace("−", "-")
  if (typed === "" || typed === "-") return { is: "wrong", why: "empty" }
  if (/^[-0-9.,]+$/.test(typed) && (typed.match(/[.,]/g)?.length ?? 0) > 1) return { is: "wrong", why: "separators" }
  if (!/^-?(\d+[.,]?\d*|[.,]\d+)$/.test(typed)) return { is: "wrong", why: "not" }
  const [whole = "", decimals = ""] = typed.replace(",", ".").split(".")
  if (decimals.replace(/0+$/, "").length > 6) return { is: "wrong", why: "fine" }
  const value = Number(`${whole === "" || whole === "-" ? whole + "0" : whole}.${decimals === "" ? "0" : decimals}`)
  if (Math.abs(value) > 1e9) return { is: "wrong", why: "large" }
  return { is: "number", value: value === 0 ? 0 : value }
}
