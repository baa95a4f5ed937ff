import calcUrl from "../generated/calc.wasm?url"
import { parseCatalogue, type Calculation } from "./catalogue"
import type { Said } from "./module"
import type { FromCalculations, ToCalculations } from "./protocol"

interface Waiting {
  readonly resolve: (message: FromCalculations) => void
  readonly reject: (problem: Error) => void
}

/**
 * The calculations as the page sees them. Their module is fetched and started
 * with the first question, in a worker of its own; one that failed is started
 * anew with the next.
 */
export class Calculations {
  #worker: Worker | undefined
  #list: Promise<readonly Calculation[]> | undefined
  readonly #waiting = new Map<number, Waiting>()
  #turn = 0

  /** Starts the module if need be; rejects when it is neither on this phone nor to be had. */
  list(): Promise<readonly Calculation[]> {
    this.#list ??= this.#start()
    return this.#list
  }

  /** Does one calculation: JSON in, the bytes that console and API give out. */
  async run(name: string, json: string): Promise<Said> {
    await this.list()
    const answer = await this.#ask((turn) => ({ type: "run", name, json, turn }))
    if (answer.type !== "said") throw new Error("the calculations answered what was not asked")
    return answer.said
  }

  async #start(): Promise<readonly Calculation[]> {
    const worker = new Worker(new URL("./worker.ts", import.meta.url), { type: "module", name: "calculations" })
    this.#worker = worker
    worker.addEventListener("message", (event: MessageEvent<FromCalculations>) => this.#take(event.data))
    worker.addEventListener("error", (event) => this.#fail(new Error(event.message)))
    const answer = await this.#ask((turn) => ({ type: "start", url: calcUrl, turn }))
    if (answer.type !== "list") throw new Error("the calculations answered what was not asked")
    return parseCatalogue(answer.json)
  }

  #ask(question: (turn: number) => ToCalculations): Promise<FromCalculations> {
    return new Promise((resolve, reject) => {
      const turn = ++this.#turn
      this.#waiting.set(turn, { resolve, reject })
      this.#worker?.postMessage(question(turn))
    })
  }

  #take(message: FromCalculations): void {
    if (message.type === "failed") {
      this.#fail(new Error(message.what))
      return
    }
    this.#waiting.get(message.turn)?.resolve(message)
    this.#waiting.delete(message.turn)
  }

  #fail(problem: Error): void {
    this.#worker?.terminate()
    this.#worker = undefined
    this.#list = undefined
    for (const { reject } of this.#waiting.values()) reject(problem)
    this.#waiting.clear()
  }
}

export const calculations = new Calculations()

/**
 * Brings the module into the service worker's cache, so that calculations are
 * there without a network too. It waits until the page has nothing to do, and
 * leaves it where somebody pays for every byte.
 */
export async function fetchAhead(): Promise<void> {
  if (!("serviceWorker" in navigator)) return
  const connection = (navigator as { connection?: { saveData?: boolean } }).connection
  if (connection?.saveData === true) return
  await navigator.serviceWorker.ready
  if (navigator.serviceWorker.controller === null) {
    await new Promise((resolve) => navigator.serviceWorker.addEventListener("controllerchange", resolve, { once: true }))
  }
  if ((await caches.match(calcUrl)) !== undefined) return
  await new Promise<void>((resolve) => ("requestIdleCallback" in window ? requestIdleCallback(() => resolve()) : setTimeout(resolve, 2_000)))
  try {
    await fetch(calcUrl, { priority: "low" })
  } catch {
    addEventListener("online", () => void fetchAhead(), { once: true })
  }
}
