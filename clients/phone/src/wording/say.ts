import { en, type MessageKey } from "./en"

export type Params = Readonly<Record<string, string | number>>

const messages: Readonly<Record<string, string>> = en
const plurals = new Intl.PluralRules("en")

/** The sentence for a key, with its parameters put in. */
export function say(key: MessageKey, params: Params = {}): string {
  return fill(messages[key] ?? key, params)
}

export const isMessage = (key: string): key is MessageKey => key in messages

/** A sentence whose key comes from data; the fallback is for what this version does not know. */
export function sayIfKnown(key: string, fallback: string, params: Params = {}): string {
  return isMessage(key) ? say(key, params) : fallback
}

function fill(text: string, params: Params, count?: number): string {
  let out = ""
  for (let i = 0; i < text.length; i++) {
    const char = text.charAt(i)
    if (char === "#" && count !== undefined) {
      out += count
    } else if (char === "{") {
      const end = closing(text, i)
      out += argument(text.slice(i + 1, end), params)
      i = end
    } else {
      out += char
    }
  }
  return out
}

function closing(text: string, open: number): number {
  let depth = 0
  for (let i = open; i < text.length; i++) {
    if (text.charAt(i) === "{") depth++
    else if (text.charAt(i) === "}" && --depth === 0) return i
  }
  throw new SyntaxError(`a message has an open brace: ${text}`)
}

function argument(text: string, params: Params): string {
  const plural = /^\s*(\w+)\s*,\s*plural\s*,/.exec(text)
  if (plural === null) return String(params[text.trim()] ?? "")
  const count = Number(params[plural[1] ?? ""] ?? 0)
  const cases = new Map<string, string>()
  for (let at = plural[0].length; at < text.length; ) {
    const open = text.indexOf("{", at)
    if (open < 0) break
    const end = closing(text, open)
    cases.set(text.slice(at, open).trim(), text.slice(open + 1, end))
    at = end + 1
  }
  return fill(cases.get(plurals.select(count)) ?? cases.get("other") ?? "", params, count)
}
