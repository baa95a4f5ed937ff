import { wasiHost } from "../wasm/wasi"

interface Exports {
  readonly memory: WebAssembly.Memory
  _initialize(): void
  gw_input(n: number): number
  gw_result(): number
  gw_result_size(): number
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
  readonly #exports: Exports
  readonly #encoder = new TextEncoder()
  readonly #decoder = new TextDecoder()

  private constructor(exports: Exports) {
    this.#exports = exports
  }

  static async start(source: WebAssembly.Module, report: (text: string) => void = () => undefined): Promise<CalcModule> {
    const host = wasiHost(report)
    const instance = await WebAssembly.instantiate(source, {
      wasi_snapshot_preview1: host.imports as WebAssembly.ModuleImports,
    })
    const exports = instance.exports as unknown as Exports
    host.bind(exports.memory)
    exports._initialize()
    return new CalcModule(exports)
  }

  #result(): string {
    const size = this.#exports.gw_result_size()
    if (size === 0) return ""
    return this.#decoder.decode(new Uint8Array(this.#exports.memory.buffer, this.#exports.gw_result(), size))
  }

  /** All calculations with their JSON Schemas. */
  list(): string {
    this.#exports.gw_list()
    return this.#result()
  }

  run(name: string, json: string): Said {
    const bytes = this.#encoder.encode(`${name}\n${json}`)
    const at = this.#exports.gw_input(bytes.length)
    new Uint8Array(this.#exports.memory.buffer, at, bytes.length).set(bytes)
    const done = this.#exports.gw_calc(bytes.length) === 0
    return { done, json: this.#result() }
  }
}
