import { session } from "../session/session.svelte"

// Ways out of the phone for what is on it.

function save(name: string, text: string, type: string): void {
  const url = URL.createObjectURL(new Blob([text], { type }))
  const link = document.createElement("a")
  link.href = url
  link.download = name
  link.click()
  setTimeout(() => URL.revokeObjectURL(url), 10_000)
}

/** Saves everything on this phone as a file. */
export function saveExport(): void {
  save(`gatewright-${session.device?.site.slug ?? "site"}-${new Date(session.now).toISOString().slice(0, 10)}.jsonl`, session.exported(), "application/jsonl")
}

/** Saves a text as a file. */
export const saveText = (name: string, text: string): void => save(name, text, "text/plain")

/** Puts a text on the clipboard; false when the browser does not let it. */
export async function copyText(text: string): Promise<boolean> {
  try {
    await navigator.clipboard.writeText(text)
    return true
  } catch {
    return false
  }
}
