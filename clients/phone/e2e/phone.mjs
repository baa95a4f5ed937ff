// A phone: one browser process with one profile folder, which survives being
// killed. Its clock can be set, its network taken away.
import { spawn } from "node:child_process"
import { mkdir, readFile, rm } from "node:fs/promises"
import { join } from "node:path"
import { isDeepStrictEqual } from "node:util"
import { chromium } from "playwright-core"
import { shots, until, within } from "./farm.mjs"

const executable = process.env.CHROMIUM ?? "/usr/bin/chromium"
const switches = [
  "--headless=new", "--disable-gpu", "--disable-quic", "--no-first-run", "--no-default-browser-check",
  "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
  "--lang=en-GB", "--remote-debugging-port=0",
  ...(process.getuid?.() === 0 ? ["--no-sandbox"] : []),
]

/** Runs in the page before its own code: a clock that the test sets. A reload keeps the setting, a new process does not. */
function settableClock(first) {
  const RealDate = Date
  let setting = first
  try {
    setting = JSON.parse(sessionStorage.getItem("clock of the test")) ?? first
  } catch {
    // A page without an address has no storage, and needs none.
  }
  const now = () => setting.frozen ?? RealDate.now() + setting.shift
  globalThis.Date = new Proxy(RealDate, {
    construct: (real, args, target) => (args.length === 0 ? new real(now()) : Reflect.construct(real, args, target === globalThis.Date ? real : target)),
    get: (real, key) => (key === "now" ? now : Reflect.get(real, key)),
  })
  globalThis.setClockOfTheTest = (next) => {
    setting = next
    sessionStorage.setItem("clock of the test", JSON.stringify(next))
  }
}

export class Phone {
  #process
  #browser
  #context

  constructor(farm, name) {
    this.farm = farm
    this.name = name
    this.profile = join(farm.folder, "profile-" + name.replaceAll(" ", "-").toLowerCase())
    this.clock = { shift: 0 }
    this.errors = []
  }

  /** Starts the browser; offline says that it has no network from its first request on. */
  async start({ offline = false, path = "/" } = {}) {
    await mkdir(this.profile, { recursive: true })
    const port = join(this.profile, "DevToolsActivePort")
    await rm(port, { force: true })
    // Its own process group, so that all of it can be killed at once.
    this.#process = spawn(executable, [...switches, `--user-data-dir=${this.profile}`, "about:blank"], { stdio: "ignore", detached: true })
    const address = await until("the browser's address", async () => {
      const [number, path] = (await readFile(port, "utf8")).trim().split("\n")
      return path && `ws://127.0.0.1:${number}${path}`
    })
    this.#browser = await chromium.connectOverCDP(address)
    this.#context = this.#browser.contexts()[0]
    this.#context.setDefaultTimeout(20_000)
    await this.#context.addInitScript(settableClock, this.clock)
    if (offline) await this.#context.setOffline(true)
    this.page = this.#context.pages()[0] ?? (await this.#context.newPage())
    this.page.on("pageerror", (problem) => this.errors.push(problem.message))
    // What the server's policies forbid is no error of the page, and yet means that something of it does not work.
    this.page.on("console", (line) => {
      if (/Content Security Policy|Cross-Origin-Embedder-Policy|BlockedByResponse/.test(line.text())) this.errors.push(line.text())
    })
    await this.page.setViewportSize({ width: 360, height: 640 })
    await this.page.goto(this.farm.origin + path)
    return this
  }

  async join() {
    const link = this.farm.links.get(this.name)
    await this.page.goto(link)
    const name = this.page.getByLabel("Your name")
    await name.waitFor()
    if ((await name.inputValue()) === "") await name.fill(this.name)
    await this.page.getByRole("button", { name: "Join", exact: true }).click()
    await this.page.getByRole("heading", { name: "Round today" }).waitFor()
    // Ready for a start without network.
    await within(30_000, "the service worker", this.page.evaluate(() => navigator.serviceWorker.ready.then(() => undefined)))
    await until("the app's files in the cache", () => this.page.evaluate(async () => {
      for (const name of await caches.keys()) if ((await (await caches.open(name)).keys()).some((r) => r.url.includes("rules"))) return true
      return false
    }))
  }

  async setOffline(offline) {
    await this.#context.setOffline(offline)
    if (offline) await until(`${this.name} is off the network`, async () => (await this.link()) !== "online")
  }

  /** shift: ms added to the real clock; frozen: the instant at which it stands. */
  async setClock(setting) {
    this.clock = setting
    await this.page.evaluate((s) => globalThis.setClockOfTheTest(s), setting)
  }

  link() { return this.page.evaluate(() => window.__gatewright.link()) }
  rules() { return this.page.evaluate(() => window.__gatewright.rules()) }
  outbox() { return this.page.evaluate(() => window.__gatewright.outbox().map((p) => ({ ...p }))) }
  async entries() { return (await this.page.evaluate(() => [...window.__gatewright.entries()])) }

  /** Level with the server: all that it has is here, and nothing waits. */
  async synced() {
    await until(`${this.name} is level with the server`, async () => {
      const [heads, text, outbox] = [await this.farm.heads(), await this.rules(), await this.outbox()]
      return text !== "" && outbox.length === 0 && isDeepStrictEqual(documentsOf(text), heads)
    }, 60_000)
  }

  /** Starts afresh, without network, at an instant; gives the rules' output there. */
  async rulesAt(instant) {
    await this.setOffline(true)
    await this.setClock({ frozen: instant })
    await this.page.reload()
    const heads = await this.farm.heads()
    return until(`${this.name}'s rules at the instant`, async () => {
      const text = await this.rules()
      return text !== "" && JSON.parse(text).basis.now === instant && isDeepStrictEqual(documentsOf(text), heads) && text
    })
  }

  /** The part of the round that belongs to a gate, with everything unfolded. */
  async gate(name) {
    const gate = this.page.getByRole("region", { name, exact: true })
    await gate.waitFor()
    await gate.locator("details").evaluateAll((folds) => folds.forEach((fold) => (fold.open = true)))
    return gate
  }

  async told(text) {
    await this.page.getByRole("status").filter({ hasText: text }).first().waitFor()
  }

  async tick(gate, check) {
    await (await this.gate(gate)).getByRole("button", { name: new RegExp(`^Done: ${check}`) }).click()
    await this.told(check)
  }

  async enter(gate, check, value, unit) {
    await (await this.gate(gate)).getByRole("button", { name: new RegExp(`^Enter: ${check}`) }).click()
    const sheet = this.page.getByRole("dialog")
    for (const key of value) await sheet.getByRole("button", { name: key, exact: true }).click()
    await sheet.getByRole("button", { name: `Save ${value} ${unit}` }).click()
    await this.told(`${value} ${unit} saved`)
  }

  /** The manager on this phone signs in, in the sheet that asks for it; the first time a passphrase is set. */
  async signIn(phrase = "four words for the manager") {
    const sheet = this.page.getByRole("dialog", { name: "Sign in as manager" })
    const first = sheet.getByLabel("Or a passphrase")
    await first.or(sheet.getByLabel("Passphrase", { exact: true })).first().waitFor()
    if (await first.isVisible()) {
      await first.fill(phrase)
      await sheet.getByRole("button", { name: "Set this passphrase" }).click()
      await sheet.getByLabel("I have kept them").check()
      await sheet.getByRole("button", { name: "Go on" }).click()
    } else {
      await sheet.getByLabel("Passphrase", { exact: true }).fill(phrase)
      await sheet.getByRole("button", { name: "Sign in", exact: true }).click()
    }
    await sheet.waitFor({ state: "detached" })
  }

  async shot(name) {
    await mkdir(shots, { recursive: true })
    await this.page.screenshot({ path: join(shots, `${name}.png`) })
  }

  /** The battery falls out: nothing gets to finish. */
  async kill() {
    const ended = new Promise((resolve) => this.#process.once("exit", resolve))
    process.kill(-this.#process.pid, "SIGKILL")
    await within(10_000, "the browser's end", ended)
    this.#process = undefined
  }

  async close() {
    if (this.#process === undefined) return
    await this.kill()
  }
}

export function documentsOf(rulesText) {
  const { documents } = JSON.parse(rulesText).basis
  return Object.fromEntries(Object.entries(documents).map(([name, heads]) => [name, heads.toSorted()]))
}
