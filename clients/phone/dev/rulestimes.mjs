// How fast the rules module is where phones run it: in a worker of Chromium,
// through the phone's own code; without Chromium, in Node. Reads a folder of
// facts that ops/rulesbench wrote, prints one JSON row a line.
//
//   node dev/rulestimes.mjs FOLDER MODULE.wasm
import { readFile } from "node:fs/promises"
import { join } from "node:path"
import { fileURLToPath } from "node:url"
import { chromium } from "playwright-core"
import { createServer } from "vite"

const [folder, module] = process.argv.slice(2)
const tasks = JSON.parse(await readFile(join(folder, "tasks.json"), "utf8"))
const executablePath = process.env.CHROMIUM

/** Isolated, so that the browser's clock counts in 5 us and not in 100. */
const isolated = { "Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Embedder-Policy": "require-corp" }
const facts = {
  name: "facts",
  configureServer(server) {
    server.middlewares.use("/facts", async (request, response) => {
      const bytes = await readFile(request.url === "/module" ? module : join(folder, request.url))
      response.writeHead(200, isolated).end(bytes)
    })
    server.middlewares.use("/blank", (_, response) => response.writeHead(200, { ...isolated, "content-type": "text/html" }).end('<!doctype html><link rel="icon" href="data:,"><title>blank</title>'))
  },
}
const vite = await createServer({
  root: fileURLToPath(new URL("..", import.meta.url)), configFile: false, logLevel: "error", appType: "custom", plugins: [facts],
  optimizeDeps: { noDiscovery: true }, server: { host: "127.0.0.1", port: 0, hmr: false, ws: false, watch: null, headers: isolated },
})

async function inChromium() {
  await vite.listen()
  const { port } = vite.httpServer.address()
  const browser = await chromium.launch({
    executablePath,
    args: ["--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", ...(process.getuid?.() === 0 ? ["--no-sandbox"] : [])],
  })
  const page = await browser.newPage()
  page.on("console", (message) => console.error(message.text()))
  await page.goto(`http://127.0.0.1:${port}/blank`)
  const run = (task) => page.evaluate(async (task) => {
    if (!crossOriginIsolated) throw new Error("the page is not isolated, its clock is coarse")
    const worker = new Worker("/dev/rulestimes-worker.mjs", { type: "module" })
    try {
      const { answer, problem } = await new Promise((resolve, reject) => {
        worker.onmessage = (event) => resolve(event.data)
        worker.onerror = (event) => reject(new Error(event.message))
        worker.postMessage(task)
      })
      if (problem !== undefined) throw new Error(problem)
      return answer
    } finally {
      worker.terminate()
    }
  }, task)
  return { where: "chromium", run, close: () => browser.close() }
}

async function inNode() {
  const { RulesModule } = await vite.ssrLoadModule("/src/rules/module.ts")
  const measures = await import("./rulestimes-worker.mjs")
  const wasm = new Uint8Array(await readFile(module))
  const run = async ({ what, log, budget }) =>
    measures[what](RulesModule, wasm, JSON.parse(await readFile(join(folder, log), "utf8")), budget)
  return { where: "node", run, close: () => undefined }
}

const median = (rows) => Object.fromEntries(Object.keys(rows[0]).map((key) => [key, rows.map((row) => row[key]).toSorted((a, b) => a - b)[(rows.length - 1) >> 1]]))

try {
  const place = await (executablePath ? inChromium() : inNode())
  try {
    for (const task of tasks) {
      const tell = (row) => console.log(JSON.stringify({ where: place.where, entries: task.entries, ...row }))
      if (task.what === "steps") {
        for (const row of await place.run(task)) tell(row)
        continue
      }
      const runs = []
      for (let i = 0; i < task.runs; i++) runs.push(await place.run(task))
      tell({ case: task.case, runs: runs.length, ...median(runs) })
    }
  } finally {
    await place.close()
  }
} finally {
  await vite.close()
}
