import type { MessageKey } from "../wording/en"

/** Safety signs after ISO 7010, redrawn plainly: which one stands beside which caution. */
export type SignName = "moving" | "crush" | "general" | "electric" | "gas" | "eyes" | "lock" | "notouch" | "noflame" | "noclimb"

export const signOf: Readonly<Record<number, SignName>> = {
  1: "crush",
  2: "lock",
  3: "moving",
  4: "general",
  5: "eyes",
  6: "electric",
  7: "general",
  8: "general",
  9: "notouch",
  10: "noflame",
  11: "noclimb",
  12: "gas",
  13: "lock",
}

export const signText = (name: SignName): MessageKey => `sign.${name}`

/** The caution sentences there are, in their order. */
export const cautions: readonly number[] = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13]

export const isCaution = (n: number): boolean => cautions.includes(n)
export const cautionText = (n: number): MessageKey => `caution.${n}` as MessageKey
