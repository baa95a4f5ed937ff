/** How many digits a PIN has. */
export const shortest = 4
export const longest = 8

/** A wait in the words of its unit: seconds below a minute and a half, minutes above. */
export const waitIn = (ms: number): { readonly unit: "seconds" | "minutes"; readonly n: number } =>
  ms < 90_000 ? { unit: "seconds", n: Math.ceil(ms / 1000) } : { unit: "minutes", n: Math.ceil(ms / 60_000) }
