// Writes a .br beside every text and wasm file of dist/, so that the server
// sends them as they are: wasm is a third of its size this way.
import { readFile, readdir, writeFile } from "node:fs/promises"
import { join } from "node:path"
import { brotliCompressSync, constants } from "node:zlib"

const dist = new URL("../dist/", import.meta.url).pathname
const wanted = /\.(js|css|html|svg|wasm|webmanifest|json)$/

for (const entry of await readdir(dist, { recursive: true, withFileTypes: true })) {
  if (!entry.isFile() || !wanted.test(entry.name)) continue
  const path = join(entry.parentPath, entry.name)
  const bytes = await readFile(path)
  if (bytes.length < 256) continue
  const small = brotliCompressSync(bytes, {
    params: {
      [constants.BROTLI_PARAM_QUALITY]: 11,
      [constants.BROTLI_PARAM_SIZE_HINT]: bytes.length,
    },
  })
  await writeFile(path + ".br", small)
}
