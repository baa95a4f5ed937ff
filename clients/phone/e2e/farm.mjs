// The real server on a folder of its own, for one test file: seeded with the
// demo site, on a free port, serving the built phone.
import { execFile, spawn } from "node:child_process"
import { cp, mkdtemp, rm } from "node:fs/promises"
import { tmpdir } from "node:os"
import { join } from "node:path"
import { createInterface } from "node:readline"
import { fileURLToPath } from "node:url"
import { promisify } from "node:util"

const run = promisify(execFile)
const top = fileURLToPath(new URL("../../../", import.meta.url))
export const binary = process.env.GATEWRIGHT ?? join(top, "bin/gatewright")
export const shots = process.env.SHOTS ?? join(top, "ops/shots")
const phoneFiles = join(top, "clients/phone/dist")

/** Gives up with a sentence when what is awaited does not come. */
export async function within(ms, what, promise) {
  let timer
  const late = new Promise((_, reject) => {
    timer = setTimeout(() => reject(new Error(`${what} did not come within ${ms} ms`)), ms)
  })
  try {
    return await Promise.race([promise, late])
  } finally {
    clearTimeout(timer)
  }
}

/** Asks again until the answer is truthy; errors count as no. */
export async function until(what, ask, ms = 30_000) {
  const end = Date.now() + ms
  let last
  for (;;) {
    try {
      const answer = await ask()
      if (answer) return answer
      last = answer
    } catch (problem) {
      last = problem
    }
    if (Date.now() > end) throw new Error(`${what}: not within ${ms} ms; at last: ${last}`)
    await new Promise((resolve) => setTimeout(resolve, 50))
  }
}

/** Closes all of them, whatever one of them says. */
export async function closeAll(...ones) {
  const ends = await Promise.allSettled(ones.filter((one) => one !== undefined).map((one) => one.close()))
  for (const end of ends) if (end.status === "rejected") throw end.reason
}

export class Farm {
  static async open() {
    const farm = new Farm()
    farm.folder = await mkdtemp(join(tmpdir(), "gatewright-e2e-"))
    farm.data = join(farm.folder, "data")
    farm.links = new Map()
    // A copy, so that a build meanwhile does not give the phones half of another version.
    const files = join(farm.folder, "phone")
    await cp(phoneFiles, files, { recursive: true })
    farm.server = spawn(binary, ["demo", "--data", farm.data, "--port", "0", "--phone", files], { stdio: ["ignore", "pipe", "pipe"] })
    farm.said = ""
    farm.server.stderr.on("data", (text) => (farm.said += text))
    const ready = new Promise((resolve, reject) => {
      farm.server.once("error", reject)
      farm.server.once("exit", (code) => reject(new Error(`the server ended with ${code}: ${farm.said}`)))
      createInterface({ input: farm.server.stdout }).on("line", (line) => {
        const link = /^\s+(.+?)\s{2,}(\w+)\s+(http\S+\/join#\S+)$/.exec(line)
        if (link !== null) farm.links.set(link[1], link[3])
        const address = /^ready (\S+)$/.exec(line)
        if (address !== null) resolve(address[1])
      })
    })
    farm.origin = await within(60_000, "the ready line", ready)
    return farm
  }

  get running() {
    return this.server.exitCode === null && this.server.signalCode === null
  }

  async console(...words) {
    const { stdout } = await run(binary, [...words, "--data", this.data, "--site", "demo"], { maxBuffer: 256 << 20 })
    return stdout
  }

  /** Document name to sorted heads, as the database has them. */
  async heads() {
    const lines = (await this.console("docs")).trim().split("\n")
    return Object.fromEntries(lines.map((line) => JSON.parse(line)).map((d) => [d.name, d.heads.toSorted()]))
  }

  /** The server's rules output at an instant, byte for byte. */
  async rules(at) {
    return (await this.console("rules", "--at", String(at))).replace(/\n$/, "")
  }

  async ticket(person) {
    return JSON.parse(await this.console("ticket", "--person", person))
  }

  async close() {
    if (this.running) {
      const ended = new Promise((resolve) => this.server.once("exit", resolve))
      this.server.kill("SIGTERM")
      await within(20_000, "the server's end", ended)
    }
    await rm(this.folder, { recursive: true, force: true })
  }
}
