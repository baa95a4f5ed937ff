// Canonical JSON (RFC 8785) for the values an entry can hold. The bytes made
// here are what is stored, hashed and signed, so nothing is written that the
// rest of the system could read differently: no undefined, no NaN, no lone
// surrogates.

export type Scalar = string | number | boolean | null
export type Json = Scalar | readonly Json[] | { readonly [key: string]: Json }

export class NotCanonical extends Error {
  override name = "NotCanonical"
}

const loneSurrogate = /[\uD800-\uDBFF](?![\uDC00-\uDFFF])|(?<![\uD800-\uDBFF])[\uDC00-\uDFFF]/

function text(value: string): string {
  if (loneSurrogate.test(value)) throw new NotCanonical("text holds half of a character pair")
  // For well-formed strings JSON.stringify escapes exactly what RFC 8785 asks.
  return JSON.stringify(value)
}

/** The one text of value; throws NotCanonical for what JSON cannot hold. */
export function canonical(value: Json): string {
  if (value === null) return "null"
  switch (typeof value) {
    case "boolean":
      return value ? "true" : "false"
    case "string":
      return text(value)
    case "number":
      if (!Number.isFinite(value)) throw new NotCanonical("a number is not finite")
      // ES6 number to string is the form RFC 8785 prescribes; -0 becomes 0.
      return JSON.stringify(value)
    case "object": {
      if (Array.isArray(value)) return "[" + value.map((v: Json) => canonical(v)).join(",") + "]"
      const map = value as { readonly [key: string]: Json }
      // The default sort compares UTF-16 code units, as RFC 8785 wants.
      const members = Object.keys(map)
        .sort()
        .map((key) => {
          const member = map[key]
          if (member === undefined) throw new NotCanonical(`"${key}" has no value`)
          return text(key) + ":" + canonical(member)
        })
      return "{" + members.join(",") + "}"
    }
    default:
      throw new NotCanonical(`a ${typeof value} is no JSON value`)
  }
}
