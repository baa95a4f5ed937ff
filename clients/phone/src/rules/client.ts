import type { Instant } from "../logbook/ids"
import type { FromRules, ToRules } from "./protocol"
import { parseOutput, type RulesOutput } from "./output"

export interface RulesListener {
  plan(json: string): void
  output(output: RulesOutput, json: string): void
  failed(what: string): void
}

/**
 * The rules as the page sees them: facts go in, the output comes out. It asks
 * again when a fact has changed and at the wake instant that the last output
 * named; in between nothing can change.
 */
export class RulesClient {
  readonly #worker: Worker
  readonly #now: () => Instant
  readonly #listener: RulesListener
  #turn = 0
  #held = true
  #asked = false
  #answered = true
  #again = false
  #loaded: (ok: boolean) => void = () => undefined
  #saves = 0
  readonly #saving = new Map<number, (state: Uint8Array) => void>()
  #alarm: ReturnType<typeof setTimeout> | undefined

  constructor(worker: Worker, url: string, now: () => Instant, listener: RulesListener) {
    this.#worker = worker
    this.#now = now
    this.#listener = listener
    worker.addEventListener("message", (event: MessageEvent<FromRules>) => this.#take(event.data))
    worker.addEventListener("error", (event) => {
      this.#loaded(false)
      listener.failed(event.message)
    })
    this.#tell({ type: "start", url })
  }

  /** Forgets all facts: a document was dropped and everything is told again. */
  reset(): void {
    this.#tell({ type: "reset" })
  }

  /** Begins from a saved state; false when it cannot be read, and then nothing is known yet. */
  load(state: Uint8Array): Promise<boolean> {
    this.#tell({ type: "load", state })
    return new Promise((resolve) => (this.#loaded = resolve))
  }

  /** What has been told so far of the months before one, as bytes for load. */
  save(before: string): Promise<Uint8Array> {
    const turn = ++this.#saves
    this.#tell({ type: "save", before, turn })
    return new Promise((resolve) => this.#saving.set(turn, resolve))
  }

  planChanges(changes: readonly Uint8Array[], heads: readonly string[]): void {
    this.#tell({ type: "plan-changes", changes, heads })
    this.evaluateSoon()
  }

  entries(raws: readonly string[]): void {
    if (raws.length === 0) return
    this.#tell({ type: "entries", raws })
    this.evaluateSoon()
  }

  heads(document: string, heads: readonly string[]): void {
    this.#tell({ type: "heads", document, heads })
    this.evaluateSoon()
  }

  /** Begins to ask: until what this phone holds has been told, an answer would be of half the facts. */
  begin(): void {
    this.#held = false
    this.evaluateSoon()
  }

  /** Asks once for all facts that this turn of the page hands over. */
  evaluateSoon(): void {
    if (this.#asked || this.#held) return
    this.#asked = true
    queueMicrotask(() => {
      this.#asked = false
      if (!this.#answered) {
        this.#again = true
        return
      }
      this.#evaluate()
    })
  }

  stop(): void {
    clearTimeout(this.#alarm)
    this.#worker.terminate()
  }

  #evaluate(): void {
    this.#answered = false
    this.#tell({ type: "evaluate", now: this.#now(), turn: ++this.#turn })
  }

  #take(message: FromRules): void {
    switch (message.type) {
      case "ready":
        return
      case "loaded":
        this.#loaded(message.ok)
        return
      case "saved":
        this.#saving.get(message.turn)?.(message.state)
        this.#saving.delete(message.turn)
        return
      case "plan":
        this.#listener.plan(message.json)
        return
      case "output": {
        this.#answered = true
        const output = parseOutput(message.json)
        this.#listener.output(output, message.json)
        this.#wakeAt(output.wake)
        if (this.#again) {
          this.#again = false
          this.#evaluate()
        }
        return
      }
      case "failed":
        this.#answered = true
        this.#loaded(false)
        if (message.fatal) this.#listener.failed(message.what)
        return
    }
  }

  #wakeAt(wake: Instant | undefined): void {
    clearTimeout(this.#alarm)
    if (wake === undefined) return
    // A timer holds at most 2^31 ms, and a sleeping phone's timers drift: look again hourly at the latest.
    const wait = Math.min(Math.max(0, wake - this.#now()), 3_600_000)
    this.#alarm = setTimeout(() => (this.#now() >= wake ? this.evaluateSoon() : this.#wakeAt(wake)), wait)
  }

  #tell(message: ToRules): void {
    this.#worker.postMessage(message)
  }
}
