import { session } from "../session/session.svelte"

// Ways out of the phone for what is on it.

/** Saves everything on this phone as a file. */
export function saveExport(): void {
  const url = URL.createObjectURL(new Blob([session.exported()], { type: "application/jsonl" }))
  const link = document.createElement("a")
  link.href = url
  link.download = `gatewright-${session.device?.site.slug ?? "site"}-${new Date(session.now).toISOString().slice(0, 10)}.jsonl`
  link.click()
  setTimeout(() => URL.revokeObjectURL(url), 10_000)
}

/** Puts a text on the clipboard; false when the browser does not let it. */
export async function copyText(text: string): Promise<boolean> {
  try {
    await navigator.clipboard.writeText(text)
    return true
  } catch {
    return false
  }
}
