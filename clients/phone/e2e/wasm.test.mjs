// The same facts give the same bytes on a processor of the first amd64 level,
// on one with fused multiply-add, and in the phone's own module.
import assert from "node:assert/strict"
import { execFile, spawn } from "node:child_process"
import { readFile } from "node:fs/promises"
import { join } from "node:path"
import { text } from "node:stream/consumers"
import { fileURLToPath } from "node:url"
import { after, before, test } from "node:test"
import { promisify } from "node:util"
import * as A from "@automerge/automerge"
import { createServer } from "vite"
import { Farm } from "./farm.mjs"

const run = promisify(execFile)
const phone = fileURLToPath(new URL("..", import.meta.url))
const top = join(phone, "../..")
const instants = 200
const hour = 3_600_000

let farm
before(async () => {
  farm = await Farm.open()
})
after(() => farm?.close())

/** What a phone would hand to its module: automerge itself reads the documents and puts changes in order. */
async function factsOf() {
  const facts = { plan: [], entries: [], heads: {} }
  for (const line of (await farm.console("docs", "--changes")).trim().split("\n")) {
    const { name, heads, changes } = JSON.parse(line)
    const [doc] = A.applyChanges(A.init(), changes.map((c) => new Uint8Array(Buffer.from(c, "base64"))))
    assert.deepEqual(A.getHeads(doc).toSorted(), heads.toSorted(), `automerge reads ${name} as the server does`)
    facts.heads[name] = heads
    if (name === "plan") facts.plan = A.getAllChanges(doc)
    else for (const key of Object.keys(doc)) facts.entries.push(String(doc[key].val ?? doc[key]))
  }
  return facts
}

async function native(level, facts, at) {
  const binary = join(farm.folder, `native-${level}`)
  await run("go", ["build", "-o", binary, "./clients/ruleswasm/native"], { cwd: top, env: { ...process.env, CGO_ENABLED: "0", ...(level !== "own" && { GOAMD64: level }) } })
  const child = spawn(binary, { stdio: ["pipe", "pipe", "pipe"] })
  const [out, said, code] = [text(child.stdout), text(child.stderr), new Promise((resolve) => child.once("exit", resolve))]
  child.stdin.end(JSON.stringify({ ...facts, plan: facts.plan.map((c) => Buffer.from(c).toString("base64")), instants: at }))
  assert.equal(await code, 0, await said)
  return (await out).trimEnd().split("\n")
}

/** The phone's own sources run the phone's own module. */
async function inModule(facts, at) {
  const vite = await createServer({ root: phone, configFile: false, logLevel: "error", appType: "custom", optimizeDeps: { noDiscovery: true }, server: { middlewareMode: true, ws: false, watch: null } })
  try {
    const { RulesModule } = await vite.ssrLoadModule("/src/rules/module.ts")
    const module = await RulesModule.start(await WebAssembly.compile(await readFile(join(phone, "src/generated/rules.wasm"))))
    for (const change of facts.plan) module.planChange(change)
    assert.equal(module.entries(facts.entries), facts.entries.length)
    for (const [name, heads] of Object.entries(facts.heads)) module.heads(name, heads)
    assert.equal(module.rejected(), "[]")
    return at.map((now) => module.evaluate(now))
  } finally {
    await vite.close()
  }
}

async function levels(t) {
  if (process.arch !== "x64") return ["own"]
  const flags = await readFile("/proc/cpuinfo", "utf8").catch(() => "")
  if (["avx2", "fma", "bmi2"].every((f) => flags.includes(f))) return ["v1", "v3"]
  t.diagnostic("this processor has no GOAMD64=v3: only v1 is compared")
  return ["v1"]
}

test(`the rules say the same bytes at ${instants} instants everywhere`, { timeout: 300_000 }, async (t) => {
  const facts = await factsOf()
  assert.ok(facts.plan.length > 0 && facts.entries.length > 500)
  // From before the history to a month after today, in odd steps; every tenth goes back, as a late look at the past does.
  const now = Date.now()
  const [from, to] = [now - 44 * 24 * hour, now + 30 * 24 * hour]
  const at = Array.from({ length: instants }, (_, i) => Math.trunc(from + ((to - from) * i) / (instants - 1)) + ((i * 7919) % 60_000))
  for (let i = 9; i < instants; i += 10) at[i] = at[i - 9] - 1

  const server = (await farm.console("rules", "--at", at.join(","))).trimEnd().split("\n")
  assert.equal(server.length, instants)
  assert.ok(new Set(server.map((line) => JSON.stringify(JSON.parse(line).due))).size > 50, "the instants see different lists")
  const others = [["module", await inModule(facts, at)]]
  for (const level of await levels(t)) others.push([level, await native(level, facts, at)])
  for (const [name, lines] of others) {
    assert.equal(lines.length, instants)
    for (let i = 0; i < instants; i++) assert.equal(lines[i], server[i], `${name} differs from the server at ${at[i]}`)
  }
  t.diagnostic(`compared: server, ${others.map(([name]) => name).join(", ")}; ${facts.entries.length} entries`)
})
