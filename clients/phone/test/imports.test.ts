import { readdirSync, readFileSync } from "node:fs"
import { dirname, join, relative, resolve } from "node:path"
import { expect, it } from "vitest"

// A statement of policy. Facts flow one way: event, action, outbox, document,
// rules, selector, view. A feature knows the ground below it and no other
// feature; what is below knows no feature at all.
const src = resolve(__dirname, "../src")
const files = readdirSync(src, { recursive: true, encoding: "utf8" }).filter((f) => /\.(ts|svelte)$/.test(f))

const feature = (path: string): string | undefined => /^features\/([^/]+)/.exec(path)?.[1]
const ground = (path: string): string => path.split("/")[0] ?? ""

// What each folder may import beside itself.
const allowed: Readonly<Record<string, readonly string[]>> = {
  logbook: [],
  storage: [],
  wasm: [],
  rules: ["logbook", "wasm", "generated"],
  calculations: ["wasm", "generated"],
  device: ["logbook", "storage"],
  network: ["logbook"],
  outbox: ["logbook", "storage"],
  documents: ["logbook", "network", "outbox"],
  wording: ["logbook", "rules"],
  look: ["wording"],
  session: ["logbook", "storage", "rules", "device", "network", "outbox", "documents", "wording", "look", "generated"],
  update: [],
  navigation: ["logbook", "session", "wording"],
}

function imports(file: string): string[] {
  const text = readFileSync(join(src, file), "utf8")
  return [...text.matchAll(/(?:from|import)\s+"(\.[^"]+)"|import\("(\.[^"]+)"\)|new URL\("(\.[^"]+)"/g)]
    .map((m) => m[1] ?? m[2] ?? m[3] ?? "")
    .map((path) => relative(src, resolve(src, dirname(file), path)))
}

it.each(files)("%s imports only what it may", (file) => {
  for (const target of imports(file)) {
    const [from, to] = [feature(file), feature(target)]
    if (ground(file) === "app" || file === "main.ts") continue
    if (from !== undefined) {
      expect(to ?? from, `${file} imports the feature ${to}`).toBe(from)
      expect(["app"], `${file} imports the shell`).not.toContain(ground(target))
    } else if (ground(target) !== ground(file)) {
      expect(allowed[ground(file)] ?? [], `${file} imports ${target}`).toContain(ground(target))
    }
  }
})

it("no view writes to a document, the outbox or the rules itself", () => {
  for (const file of files.filter((f) => f.endsWith(".svelte"))) {
    const text = readFileSync(join(src, file), "utf8")
    expect(text, file).not.toMatch(/automerge|indexedDB|new Worker/)
    expect(text, file).not.toMatch(/\{@html|style="/)
  }
})
