// The list of calculations as the module gives it, with the part of JSON
// Schema that it uses.

export interface Schema {
  readonly type?: "number" | "integer" | "string" | "boolean" | "array" | "object"
  readonly title?: string
  readonly description?: string
  readonly unit?: string
  readonly minimum?: number
  readonly exclusiveMinimum?: number
  readonly enum?: readonly string[]
  readonly default?: number | string | boolean
  readonly items?: Schema
  readonly properties?: Readonly<Record<string, Schema>>
  /** The fields in the order of the form. */
  readonly order?: readonly string[]
  readonly required?: readonly string[]
}

export interface Calculation {
  readonly name: string
  readonly about: string
  readonly source: string
  readonly input: Schema
  readonly output: Schema
}

export interface Field {
  readonly name: string
  readonly schema: Schema
  readonly required: boolean
}

export interface Subject {
  readonly name: string
  readonly calculations: readonly Calculation[]
}

/** Opens the module's list. It comes from our own module, so its shape is trusted once its outline is there. */
export function parseCatalogue(json: string): readonly Calculation[] {
  const root = JSON.parse(json) as { readonly calculations: readonly Calculation[] }
  if (!Array.isArray(root.calculations)) throw new TypeError("the calculations are listed in a form this version does not know")
  return root.calculations
}

export function fieldsOf(schema: Schema): readonly Field[] {
  return (schema.order ?? []).flatMap((name) => {
    const field = schema.properties?.[name]
    return field === undefined ? [] : [{ name, schema: field, required: schema.required?.includes(name) === true }]
  })
}

// What is closest to the gate comes first.
const order = ["gate", "passages", "fault", "air", "beam", "reader", "tag", "radio", "trend", "chart", "tolerance", "rate", "due", "unit", "record"]
const place = (subject: string): number => (order.includes(subject) ? order.indexOf(subject) : order.length)

/** The list by subject: what stands before the point of a name. */
export function subjectsOf(list: readonly Calculation[]): readonly Subject[] {
  const names = [...new Set(list.map((c) => subjectOf(c.name)))].sort((a, b) => place(a) - place(b))
  return names.map((name) => ({ name, calculations: list.filter((c) => subjectOf(c.name) === name) }))
}

export const subjectOf = (name: string): string => name.split(".")[0] ?? name
