// Runs a command built for wasip1 in node's own WebAssembly: node wasi.mjs PROGRAM [WORD...]
import { readFile } from 'node:fs/promises';
import { WASI } from 'node:wasi';

const [program, ...words] = process.argv.slice(2);
const wasi = new WASI({ version: 'preview1', args: [program, ...words], env: {}, returnOnExit: true });
const imports = wasi.getImportObject();
// Go asks for standard streams that do not block, and waits with poll_oneoff, which node's WASI cannot do for pipes:
// here they block.
imports.wasi_snapshot_preview1.fd_fdstat_set_flags = () => 0;
const module = await WebAssembly.compile(await readFile(program));
process.exitCode = wasi.start(await WebAssembly.instantiate(module, imports));
