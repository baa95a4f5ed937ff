import { wasiHost } from "./wasi"

/** What every module of ours exports beside its own functions. */
export interface Exchanged {
  readonly memory: WebAssembly.Memory
  _initialize(): void
  gw_input(n: number): number
  gw_result(): number
  gw_result_size(): number
}

/** How bytes go into a module and come out of it: one buffer each way, which the next call reuses. */
export class Exchange<Exports extends Exchanged> {
  readonly #encoder = new TextEncoder()
  readonly #decoder = new TextDecoder()

  private constructor(readonly exports: Exports) {}

  static async start<Exports extends Exchanged>(source: WebAssembly.Module, report: (text: string) => void): Promise<Exchange<Exports>> {
    const host = wasiHost(report)
    const instance = await WebAssembly.instantiate(source, {
      wasi_snapshot_preview1: host.imports as WebAssembly.ModuleImports,
    })
    const exports = instance.exports as unknown as Exports
    host.bind(exports.memory)
    exports._initialize()
    return new Exchange(exports)
  }

  /** Hands bytes or a text over; gives how many bytes there are. */
  put(what: Uint8Array | string): number {
    const bytes = typeof what === "string" ? this.#encoder.encode(what) : what
    const at = this.exports.gw_input(bytes.length)
    new Uint8Array(this.exports.memory.buffer, at, bytes.length).set(bytes)
    return bytes.length
  }

  /** The result of the last call, as bytes of our own. */
  bytes(): Uint8Array {
    const size = this.exports.gw_result_size()
    return size === 0 ? new Uint8Array() : new Uint8Array(this.exports.memory.buffer, this.exports.gw_result(), size).slice()
  }

  /** The result of the last call, as text. */
  text(): string {
    const size = this.exports.gw_result_size()
    return size === 0 ? "" : this.#decoder.decode(new Uint8Array(this.exports.memory.buffer, this.exports.gw_result(), size))
  }
}
