import { Exchange, type Exchanged } from "../wasm/exchange"

interface Exports extends Exchanged {
  gw_reset(): void
  gw_save(n: number): number
  gw_load(n: number): number
  gw_plan_change(n: number): number
  gw_entries(n: number): number
  gw_heads(n: number): void
  gw_evaluate(now: bigint): number
  gw_plan(): number
  gw_conflicts(): number
  gw_rejected(): number
}

export class RulesRefused extends Error {
  override name = "RulesRefused"
}

/** The rules module, as plain functions. The same class serves the worker and the tests under Node. */
export class RulesModule {
  readonly #module: Exchange<Exports>
  readonly #exports: Exports
  readonly #encoder = new TextEncoder()

  private constructor(module: Exchange<Exports>) {
    this.#module = module
    this.#exports = module.exports
  }

  static async start(source: WebAssembly.Module, report: (text: string) => void = () => undefined): Promise<RulesModule> {
    return new RulesModule(await Exchange.start<Exports>(source, report))
  }

  #put(what: Uint8Array | string): number {
    return this.#module.put(what)
  }

  #result(): string {
    return this.#module.text()
  }

  #checked(code: number): void {
    if (code < 0) throw new RulesRefused(this.#result())
  }

  reset(): void {
    this.#exports.gw_reset()
  }

  /** Entries and heads of the months before one, as bytes that load reads. */
  save(before: string): Uint8Array {
    this.#checked(this.#exports.gw_save(this.#put(before)))
    return this.#module.bytes()
  }

  /** Begins anew from what save gave; what is damaged or of another version is refused. */
  load(state: Uint8Array): void {
    this.#checked(this.#exports.gw_load(this.#put(state)))
  }

  /** One change of the plan document; changes come in order of dependence. */
  planChange(bytes: Uint8Array): void {
    this.#checked(this.#exports.gw_plan_change(this.#put(bytes)))
  }

  /** Adds entries by their canonical text; answers how many were new. */
  entries(raws: readonly string[]): number {
    const encoded = raws.map((raw) => this.#encoder.encode(raw))
    const bytes = new Uint8Array(encoded.reduce((sum, e) => sum + 4 + e.length, 0))
    const view = new DataView(bytes.buffer)
    let at = 0
    for (const one of encoded) {
      view.setUint32(at, one.length, true)
      bytes.set(one, at + 4)
      at += 4 + one.length
    }
    const added = this.#exports.gw_entries(this.#put(bytes))
    this.#checked(added)
    return added
  }

  heads(document: string, heads: readonly string[]): void {
    this.#exports.gw_heads(this.#put([document, ...heads].join("\n")))
  }

  /** The rules' output, byte for byte what the server gives for the same basis. */
  evaluate(now: number): string {
    this.#checked(this.#exports.gw_evaluate(BigInt(now)))
    return this.#result()
  }

  plan(): string {
    this.#checked(this.#exports.gw_plan())
    return this.#result()
  }

  conflicts(): string {
    this.#checked(this.#exports.gw_conflicts())
    return this.#result()
  }

  rejected(): string {
    this.#checked(this.#exports.gw_rejected())
    return this.#result()
  }
}
