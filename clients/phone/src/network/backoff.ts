/**
 * How long to wait before try number n (from 0), ms: full jitter, so that the
 * phones of a yard do not all knock at once when the server is back.
 */
export function backoff(attempt: number, random: () => number = Math.random, base = 1000, most = 60_000): number {
  const ceiling = Math.min(most, base * 2 ** Math.min(attempt, 16))
  return Math.round(250 + random() * (ceiling - 250))
}
