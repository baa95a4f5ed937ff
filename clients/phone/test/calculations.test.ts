import { existsSync, readFileSync } from "node:fs"
import { beforeAll, describe, expect, it } from "vitest"
import { fieldsOf, parseCatalogue, subjectsOf, type Calculation, type Schema } from "../src/calculations/catalogue"
import { CalcModule } from "../src/calculations/module"
import { answerOf, blank, problemOf, readForm, readNumber, sentenceCase, showResult, wayOf, type Read, type Typed } from "../src/features/calculations/form"
import { en } from "../src/wording/en"

const path = new URL("../src/generated/calc.wasm", import.meta.url)
const examples = JSON.parse(readFileSync(new URL("../../../schema/calc/testdata/examples.json", import.meta.url), "utf8")) as Readonly<Record<string, Readonly<Record<string, unknown>>>>
let calc: CalcModule
let list: readonly Calculation[]
beforeAll(async () => {
  if (!existsSync(path)) throw new Error("the calculations are not built: npm run wasm")
  calc = await CalcModule.start(await WebAssembly.compile(readFileSync(path)))
  list = parseCatalogue(calc.list())
})
const named = (name: string): Calculation => {
  const found = list.find((c) => c.name === name)
  if (found === undefined) throw new Error(`there is no ${name}`)
  return found
}

/** What a person would type for a value. */
function typedAs(schema: Schema, value: unknown): string {
  const way = wayOf(schema)
  if (way === "numbers" || way === "lines") return (value as readonly (number | string)[]).join("\n")
  return way === "json" ? JSON.stringify(value) : String(value)
}

describe("the calculations as a module", () => {
  it("gives every example an answer that its form can show, from what a person would type", () => {
    expect(list.length).toBeGreaterThan(20)
    for (const c of list) {
      const [fields, example] = [fieldsOf(c.input), examples[c.name] ?? {}]
      const typed: Typed = { ...blank(fields), ...Object.fromEntries(fields.filter((f) => f.name in example).map((f) => [f.name, typedAs(f.schema, example[f.name])])) }
      const read = readForm(fields, typed)
      if (read.is === "wrong") throw new Error(`${c.name}: ${read.field} ${read.why}`)
      const [byHand, direct] = [calc.run(c.name, read.json), calc.run(c.name, JSON.stringify(example))]
      expect(direct.done, `${c.name}: ${direct.json}`).toBe(true)
      expect(byHand, c.name).toEqual(direct)
      const shown = answerOf(direct.json, fieldsOf(c.output))
      expect(shown.map((s) => s.name).toSorted(), c.name).toEqual(Object.keys(JSON.parse(direct.json) as object).toSorted())
    }
  })
  it("has a heading for every subject", () => {
    for (const subject of subjectsOf(list)) expect(en, subject.name).toHaveProperty([`calc.subject.${subject.name}`])
    expect(subjectsOf(list).flatMap((s) => s.calculations.map((c) => c.name)).toSorted()).toEqual(list.map((c) => c.name))
  })
  it("says what is wrong at the field", () => {
    const c = named("trend.line")
    const problem = (json: string) => problemOf(calc.run(c.name, json).json, fieldsOf(c.input))
    expect(problem('{"x":[1,2,3],"y":[1,2]}')).toEqual({ field: "y", text: "must have as many items as x (3), not 2" })
    expect(problem('{"x":[1,2,"a"],"y":[1,2,3]}')).toEqual({ field: "x", text: "3: must be a number, not text" })
    const ram = named("air.cylinder")
    expect(problemOf(calc.run(ram.name, '{"bore_mm":50,"rod_mm":60,"stroke_mm":300,"pressure_bar":6}').json, fieldsOf(ram.input))).toEqual({
      field: "rod_mm",
      text: "must be below “Inner diameter of the ram”",
    })
    expect(problem('{"z":1}').field).toBeUndefined()
    expect(problem("[").text).toContain("the JSON cannot be read")
    expect(problemOf(calc.run("no.such", "{}").json, [])).toEqual({ field: undefined, text: "name is that of no calculation here" })
  })
})

describe("what is typed into a form", () => {
  const fields = fieldsOf({
    order: ["n", "x", "how", "yes", "lines", "any", "gone"],
    required: ["n", "x"],
    properties: {
      n: { type: "number", default: 2 },
      x: { type: "array", items: { type: "number" } },
      how: { type: "string", enum: ["a", "b"] },
      yes: { type: "boolean" },
      lines: { type: "array", items: { type: "string" } },
      any: {},
    },
  })
  const read = (typed: Typed): Read => readForm(fields, typed)
  it("becomes JSON, and what is empty is left out", () => {
    expect(fields.map((f) => f.name)).toEqual(["n", "x", "how", "yes", "lines", "any"])
    expect(blank(fields)).toEqual({ n: "2", x: "", how: "", yes: "", lines: "", any: "" })
    expect(read({ n: "1,5", x: "1, 2,5; 3\n-4e-2", how: "", yes: "false", lines: " a b \n\nc", any: '{"big":12345678901234567890}' })).toEqual({
      is: "json",
      json: '{"n":1.5,"x":[1,2.5,3,-0.04],"yes":false,"lines":["a b","c"],"any":{"big":12345678901234567890}}',
    })
  })
  it.each([
    [{ n: "", x: "1" }, "n", "missing"],
    [{ n: "six", x: "1" }, "n", "number"],
    [{ n: "1", x: "1,2,3" }, "x", "numbers"],
    [{ n: "1", x: "1", any: "{" }, "any", "json"],
  ])("%j is turned away at %s", (typed, field, why) => {
    expect(read(typed)).toMatchObject({ is: "wrong", field, why })
  })
  it("knows numbers with point, comma and exponent, and no others", () => {
    expect(["1", "-1.5", "−1,5", ".5", "5.", "1e3", "1,5E-3"].map(readNumber)).toEqual([1, -1.5, -1.5, 0.5, 5, 1000, 0.0015])
    for (const text of ["", "-", "1.2.3", "1,2,3", "1.000,5", "0x1", "Infinity", "NaN", "1e999", "1 2"]) expect(readNumber(text), text).toBeUndefined()
  })
  it("is shown in as many digits as are read", () => {
    expect([0, 1276.2720155, -0.5, 1e11, 1.5e12, 2.34567e-7].map(showResult)).toEqual(["0", "1276.27", "-0.5", "100000000000", "1.5E12", "2.346E-7"])
    expect(sentenceCase("bore of the ram")).toBe("Bore of the ram")
    expect(sentenceCase("x of the line")).toBe("x of the line")
  })
})
