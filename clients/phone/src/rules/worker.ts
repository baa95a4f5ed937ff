import { compile } from "../wasm/compile"
import { RulesModule, RulesRefused } from "./module"
import type { FromRules, ToRules } from "./protocol"

declare const self: DedicatedWorkerGlobalScope

const tell = (message: FromRules): void => self.postMessage(message)

let rules: RulesModule | undefined
let panic = ""
// Messages are taken one after the other, and those that came before the
// module was there wait for it.
let line: Promise<void> = Promise.resolve()

async function take(message: ToRules): Promise<void> {
  if (message.type === "start") {
    const source = await compile(message.url)
    rules = await RulesModule.start(source, (text) => (panic += text))
    tell({ type: "ready" })
    return
  }
  if (rules === undefined) throw new Error("the rules were asked before they were started")
  switch (message.type) {
    case "reset":
      rules.reset()
      return
    case "load":
      tell({ type: "loaded", ok: loaded(rules, message.state) })
      return
    case "save":
      tell({ type: "saved", state: rules.save(message.before), turn: message.turn })
      return
    case "plan-changes":
      for (const change of message.changes) rules.planChange(change)
      rules.heads("plan", message.heads)
      tell({ type: "plan", json: rules.plan() })
      return
    case "entries":
      rules.entries(message.raws)
      return
    case "heads":
      rules.heads(message.document, message.heads)
      return
    case "evaluate": {
      const start = performance.now()
      const json = rules.evaluate(message.now)
      tell({ type: "output", json, turn: message.turn, took: performance.now() - start })
      return
    }
  }
}

/** A state that cannot be read is no trouble: everything is told from the documents then. */
function loaded(module: RulesModule, state: Uint8Array): boolean {
  try {
    module.load(state)
    return true
  } catch (problem) {
    if (!(problem instanceof RulesRefused)) throw problem
    return false
  }
}

self.addEventListener("message", (event: MessageEvent<ToRules>) => {
  line = line.then(() => take(event.data)).catch((problem: unknown) => {
    const what = panic || (problem instanceof Error ? problem.message : String(problem))
    tell({ type: "failed", what, fatal: !(problem instanceof RulesRefused) })
  })
})
