import { Exchange, type Exchanged } from "../wasm/exchange"

interface Exports extends Exchanged {
  gw_list(): void
  gw_calc(n: number): number
}

/** What a calculation says: its answer, or what is wrong with which field; both as the JSON that console and API give. */
export interface Said {
  readonly done: boolean
  readonly json: string
}

/** The calculations' module, as plain functions. The same class serves the worker and the tests under Node. */
export class CalcModule {
  readonly #module: Exchange<Exports>

  private constructor(module: Exchange<Exports>) {
    this.#module = module
  }

  static async start(source: WebAssembly.Module, report: (text: string) => void = () => undefined): Promise<CalcModule> {
    return new CalcModule(await Exchange.start<Exports>(source, report))
  }

  /** All calculations with their JSON Schemas. */
  list(): string {
    this.#module.exports.gw_list()
    return this.#module.text()
  }

  run(name: string, json: string): Said {
    const done = this.#module.exports.gw_calc(this.#module.put(`${name}\n${json}`)) === 0
    return { done, json: this.#module.text() }
  }
}
