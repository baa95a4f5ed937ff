// Measures the rules module where it runs: in a worker of the browser, or in
// Node. Every run gets a module of its own, so that nothing of an earlier one
// is compiled or warm.

/** A copy that no compiler has seen: with a section of its own, which is ignored. */
function unseen(bytes) {
  const name = crypto.getRandomValues(new Uint8Array(16))
  const out = new Uint8Array(bytes.length + 3 + name.length)
  out.set(bytes)
  out.set([0, name.length + 1, name.length, ...name.map((x) => 97 + (x % 26))], bytes.length)
  return out
}

const median = (times) => quantile(times, 0.5)
function quantile(times, part) {
  const sorted = times.toSorted((a, b) => a - b)
  return sorted[Math.max(0, Math.ceil(part * sorted.length) - 1)]
}
const spread = (times) => ({ runs: times.length, p50_us: median(times) * 1000, p99_us: quantile(times, 0.99) * 1000 })

/** From the module's bytes to the first answer, in ms. */
async function begin(RulesModule, wasm, { plan, months, now }) {
  const changes = plan.map((text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0)))
  const bytes = unseen(wasm)
  const t0 = performance.now()
  const source = await WebAssembly.compile(bytes)
  const t1 = performance.now()
  const rules = await RulesModule.start(source, console.error)
  const t2 = performance.now()
  for (const change of changes) rules.planChange(change)
  rules.plan()
  const t3 = performance.now()
  let count = 0
  for (const raws of months) count += rules.entries(raws)
  const t4 = performance.now()
  const json = rules.evaluate(now)
  const t5 = performance.now()
  if (rules.rejected() !== "[]") throw new Error(`entries were not read: ${rules.rejected().slice(0, 300)}`)
  if (count !== months.reduce((sum, raws) => sum + raws.length, 0)) throw new Error("entries are missing")
  return { rules, compile_ms: t1 - t0, start_ms: t2 - t1, plan_ms: t3 - t2, parse_ms: t4 - t3, judge_ms: t5 - t4, total_ms: t5 - t0, output_bytes: json.length }
}

/** One run of first or module. */
export async function first(RulesModule, wasm, facts) {
  const { rules: _, ...times } = await begin(RulesModule, wasm, facts)
  return times
}

/** Rows of add, wait and late; budget is the ms that the samples of each may take. */
export async function steps(RulesModule, wasm, facts, budget) {
  const { rules } = await begin(RulesModule, wasm, facts)
  let now = facts.now
  const [add, wait, again] = [[], [], []]
  let size = 0
  const begun = performance.now()
  for (const one of facts.after) {
    now = one.now
    const t0 = performance.now()
    rules.evaluate(now)
    const t1 = performance.now()
    rules.entries([one.raw])
    size = rules.evaluate(now).length
    const t2 = performance.now()
    rules.evaluate(now)
    const t3 = performance.now()
    wait.push(t1 - t0)
    add.push(t2 - t1)
    again.push(t3 - t2)
    if (t3 - begun > budget) break
  }
  const tardy = []
  const resumed = performance.now()
  for (const raw of facts.late) {
    const t0 = performance.now()
    rules.entries([raw])
    rules.evaluate(now)
    const t1 = performance.now()
    tardy.push(t1 - t0)
    if (t1 - resumed > budget) break
  }
  return [
    { case: "add", ...spread(add), write_p50_us: median(again) * 1000, output_bytes: size },
    { case: "wait", ...spread(wait) },
    { case: "late", ...spread(tardy) },
  ]
}

// In a browser the page sends one task, and gets one answer.
if (typeof DedicatedWorkerGlobalScope === "function") {
  self.addEventListener("message", async ({ data: { what, log, budget } }) => {
    try {
      const { RulesModule } = await import("/src/rules/module.ts")
      const [wasm, facts] = await Promise.all([
        fetch("/facts/module").then((r) => r.arrayBuffer()),
        fetch(`/facts/${log}`).then((r) => r.json()),
      ])
      const run = what === "steps" ? steps : first
      self.postMessage({ answer: await run(RulesModule, new Uint8Array(wasm), facts, budget) })
    } catch (problem) {
      self.postMessage({ problem: String(problem?.stack ?? problem) })
    }
  })
}
