import type { Field, Schema } from "../../calculations/catalogue"
import { say } from "../../wording/say"

// How the fields of a calculation are typed: pure, so that it is tested
// without a screen. What is right or wrong in a value the calculation itself
// says; here only what cannot be sent at all is turned away.

export type Way = "number" | "numbers" | "choice" | "yes or no" | "text" | "lines" | "json"

/** How a field is typed, by its schema. What has no form of its own is typed as JSON. */
export function wayOf(schema: Schema): Way {
  switch (schema.type) {
    case "number":
    case "integer":
      return "number"
    case "string":
      return schema.enum === undefined ? "text" : "choice"
    case "boolean":
      return "yes or no"
    case "array":
      if (schema.items?.type === "number" || schema.items?.type === "integer") return "numbers"
      return schema.items?.type === "string" ? "lines" : "json"
    default:
      return "json"
  }
}

export type Typed = Readonly<Record<string, string>>

/** What stands in the form at first. */
export const blank = (fields: readonly Field[]): Record<string, string> =>
  Object.fromEntries(fields.map((f) => [f.name, f.schema.default === undefined ? "" : String(f.schema.default)]))

export type Trouble = "number" | "numbers" | "json" | "missing"
export type Read = { readonly is: "json"; readonly json: string } | { readonly is: "wrong"; readonly field: string; readonly why: Trouble; readonly text: string }

/** Makes the calculation's input of what was typed; an empty field is left out. */
export function readForm(fields: readonly Field[], typed: Typed): Read {
  const parts: string[] = []
  for (const field of fields) {
    const text = typed[field.name]?.trim() ?? ""
    if (text === "") {
      if (field.required) return { is: "wrong", field: field.name, why: "missing", text }
      continue
    }
    const value = readValue(field.schema, text)
    if (value.is === "wrong") return { ...value, field: field.name }
    parts.push(`${JSON.stringify(field.name)}:${value.json}`)
  }
  return { is: "json", json: `{${parts.join(",")}}` }
}

type Value = { readonly is: "json"; readonly json: string } | { readonly is: "wrong"; readonly why: Trouble; readonly text: string }

function readValue(schema: Schema, text: string): Value {
  const json = (value: unknown): Value => ({ is: "json", json: JSON.stringify(value) })
  switch (wayOf(schema)) {
    case "number": {
      const value = readNumber(text)
      return value === undefined ? { is: "wrong", why: "number", text } : json(value)
    }
    case "numbers": {
      const values: number[] = []
      // A comma may be a decimal one, so spaces, line ends and semicolons part the numbers; one after a number is let pass.
      for (const part of text.split(/[\s;]+/).filter((p) => p !== "")) {
        const value = readNumber(part.replace(/,$/, ""))
        if (value === undefined) return { is: "wrong", why: "numbers", text: part }
        values.push(value)
      }
      return json(values)
    }
    case "lines":
      return json(text.split("\n").map((line) => line.trim()).filter((line) => line !== ""))
    case "yes or no":
      return json(text === "true")
    case "json":
      try {
        JSON.parse(text)
      } catch {
        return { is: "wrong", why: "json", text }
      }
      return { is: "json", json: text } // as it was typed: JSON.parse would round long numbers
    default:
      return json(text)
  }
}

/** A number with a decimal point or comma, or with an exponent. */
export function readNumber(text: string): number | undefined {
  const typed = text.trim().replace("−", "-").replace(",", ".")
  if (!/^-?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?$/i.test(typed)) return undefined
  const value = Number(typed)
  return Number.isFinite(value) ? value : undefined
}

/** Puts the words of the form in place of the names of fields that no word could be, such as bore_mm. */
const inWords = (text: string, fields: readonly Field[]): string =>
  text.replace(/\b[a-z0-9]+(?:_[a-z0-9]+)+\b/g, (name) => {
    const words = fields.find((f) => f.name === name)?.schema.description
    return words === undefined ? name : `“${sentenceCase(words)}”`
  })

export interface Problem {
  /** The field of the form that it is about; undefined when it is the whole. */
  readonly field: string | undefined
  readonly text: string
}

/** What the calculation objects to, for the field that it stands at. */
export function problemOf(json: string, fields: readonly Field[]): Problem {
  const { error } = JSON.parse(json) as { readonly error: { readonly field: string; readonly message: string } }
  const field = /^[^.[]*/.exec(error.field)?.[0]
  if (field === undefined || !fields.some((f) => f.name === field)) return { field: undefined, text: error.message }
  const rest = error.field.slice(field.length)
  const text = inWords(error.message.startsWith(error.field + " ") ? error.message.slice(error.field.length + 1) : error.message, fields)
  const item = /^\[(\d+)\]$/.exec(rest)
  return { field, text: rest === "" ? text : item === null ? inWords(error.message, fields) : `${Number(item[1]) + 1}: ${text}` }
}

/** A phrase of the schema as a label: with a capital, unless it starts with a symbol such as x. */
export const sentenceCase = (phrase: string): string => (/^\p{L}{2}/u.test(phrase) ? phrase.charAt(0).toUpperCase() + phrase.slice(1) : phrase)

export interface Shown {
  readonly name: string
  readonly text: string
  readonly unit: string
  readonly values: readonly string[]
  /** It is a list: its values are counted from 1. */
  readonly list: boolean
}

const digits = new Intl.NumberFormat(undefined, { maximumSignificantDigits: 6, useGrouping: false })
const tiny = new Intl.NumberFormat(undefined, { maximumSignificantDigits: 4, notation: "scientific" })

/** A number of a result, in as many digits as anybody reads. */
export const showResult = (value: number): string =>
  value !== 0 && (Math.abs(value) < 1e-5 || Math.abs(value) >= 1e12) ? tiny.format(value) : digits.format(value)

function showValue(value: unknown): string {
  if (typeof value === "number") return showResult(value)
  if (typeof value === "boolean") return say(value ? "calc.yes" : "calc.no")
  return typeof value === "string" ? value : JSON.stringify(value)
}

/** The answer line by line, in the order of its schema. What the answer leaves out is left out. */
export function answerOf(json: string, fields: readonly Field[]): readonly Shown[] {
  const answer = JSON.parse(json) as Readonly<Record<string, unknown>>
  return fields.flatMap(({ name, schema }) => {
    const value = answer[name]
    if (value === undefined) return []
    const list = Array.isArray(value)
    return [{ name, text: schema.description ?? name, unit: schema.unit ?? "", values: list ? value.map(showValue) : [showValue(value)], list }]
  })
}
