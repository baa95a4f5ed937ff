// The part of WASI that a Go module built as a reactor asks for when it does
// no files and no network: its own clock, chance for map seeds, and a place to
// write a panic. Written out here so that the page needs no Go support script.

const success = 0
const badDescriptor = 8
const notSupported = 52

export class ModuleExit extends Error {
  override name = "ModuleExit"
  constructor(readonly code: number) {
    super(`the module stopped with code ${code}`)
  }
}

export interface WasiHost {
  readonly imports: Readonly<Record<string, (...args: never[]) => number>>
  /** Hands over the instance's memory, before its first function is called. */
  bind(memory: WebAssembly.Memory): void
}

/** report gets what the module writes to standard output and error: only panics. */
export function wasiHost(report: (text: string) => void): WasiHost {
  let memory: WebAssembly.Memory | undefined
  const view = (): DataView => {
    if (memory === undefined) throw new Error("the module ran before its memory was there")
    return new DataView(memory.buffer)
  }
  const decoder = new TextDecoder()

  const none = (countAt: number, sizeAt: number): number => {
    view().setUint32(countAt, 0, true)
    view().setUint32(sizeAt, 0, true)
    return success
  }

  return {
    bind(m) {
      memory = m
    },
    imports: {
      args_sizes_get: none,
      args_get: () => success,
      environ_sizes_get: none,
      environ_get: () => success,
      // The modules are given every instant they decide by; this clock only paces Go's scheduler.
      clock_time_get: (_clock: number, _precision: bigint, at: number) => {
        view().setBigUint64(at, BigInt(Math.round(performance.now() * 1e6)), true)
        return success
      },
      random_get: (at: number, size: number) => {
        const bytes = new Uint8Array(view().buffer as ArrayBuffer, at, size)
        for (let i = 0; i < size; i += 65536) crypto.getRandomValues(bytes.subarray(i, Math.min(size, i + 65536)))
        return success
      },
      fd_write: (fd: number, list: number, count: number, writtenAt: number) => {
        if (fd !== 1 && fd !== 2) return badDescriptor
        const data = view()
        let written = 0
        let text = ""
        for (let i = 0; i < count; i++) {
          const at = data.getUint32(list + 8 * i, true)
          const size = data.getUint32(list + 8 * i + 4, true)
          text += decoder.decode(new Uint8Array(data.buffer, at, size))
          written += size
        }
        data.setUint32(writtenAt, written, true)
        report(text)
        return success
      },
      poll_oneoff: (_in: number, _out: number, _count: number, readyAt: number) => {
        view().setUint32(readyAt, 0, true)
        return success
      },
      sched_yield: () => success,
      proc_exit: (code: number) => {
        throw new ModuleExit(code)
      },
      fd_close: () => badDescriptor,
      fd_read: () => badDescriptor,
      fd_pwrite: () => badDescriptor,
      fd_pread: () => badDescriptor,
      fd_seek: () => badDescriptor,
      fd_fdstat_get: () => badDescriptor,
      fd_fdstat_set_flags: () => badDescriptor,
      fd_filestat_get: () => badDescriptor,
      fd_filestat_set_size: () => badDescriptor,
      fd_prestat_get: () => badDescriptor,
      fd_prestat_dir_name: () => badDescriptor,
      fd_readdir: () => badDescriptor,
      fd_sync: () => badDescriptor,
      path_open: () => notSupported,
      path_filestat_get: () => notSupported,
      path_create_directory: () => notSupported,
      path_remove_directory: () => notSupported,
      path_unlink_file: () => notSupported,
      path_rename: () => notSupported,
      path_readlink: () => notSupported,
      path_symlink: () => notSupported,
      path_link: () => notSupported,
      path_filestat_set_times: () => notSupported,
      sock_accept: () => notSupported,
      sock_shutdown: () => notSupported,
    },
  }
}
