/** Fetches and compiles a module. */
export async function compile(url: string): Promise<WebAssembly.Module> {
  const response = await fetch(url)
  if (!response.ok) throw new Error(`${url} could not be fetched (${response.status})`)
  try {
    // Browsers keep compiled code only for what was streamed.
    return await WebAssembly.compileStreaming(response.clone())
  } catch {
    return WebAssembly.compile(await response.arrayBuffer())
  }
}
