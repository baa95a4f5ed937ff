import { compile } from "../wasm/compile"
import { CalcModule } from "./module"
import type { FromCalculations, ToCalculations } from "./protocol"

declare const self: DedicatedWorkerGlobalScope

const tell = (message: FromCalculations): void => self.postMessage(message)

let module: CalcModule | undefined
let panic = ""

async function take(message: ToCalculations): Promise<void> {
  const { turn } = message
  if (message.type === "start") {
    module = await CalcModule.start(await compile(message.url), (text) => (panic += text))
    tell({ type: "list", json: module.list(), turn })
    return
  }
  if (module === undefined) throw new Error("a calculation was asked for before the module was there")
  tell({ type: "said", said: module.run(message.name, message.json), turn })
}

self.addEventListener("message", (event: MessageEvent<ToCalculations>) => {
  take(event.data).catch((problem: unknown) => {
    const what = panic || (problem instanceof Error ? problem.message : String(problem))
    tell({ type: "failed", what, turn: event.data.turn })
  })
})
