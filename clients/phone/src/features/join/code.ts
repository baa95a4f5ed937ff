/** An invitation's code as people type it: spaces, dashes and small letters do not matter, nor O for 0 or I and L for 1. A link's has 20 letters and digits, one that was read out 8. */
export function readCode(text: string): string | undefined {
  const code = text
    .toUpperCase()
    .replace(/[\s\-–·.]/g, "")
    .replaceAll("O", "0")
    .replace(/[IL]/g, "1")
  return /^(?:[0-9A-HJKMNP-TV-Z]{20}|[0-9A-HJKMNP-TV-Z]{8})$/.test(code) ? code : undefined
}

/** The code in a join link; the part after # never leaves the phone by itself. */
export function codeIn(text: string): string | undefined {
  const hash = text.indexOf("#")
  return readCode(hash < 0 ? text : decodeURIComponent(text.slice(hash + 1)))
}
