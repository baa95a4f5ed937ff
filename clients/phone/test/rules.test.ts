import { existsSync, readFileSync } from "node:fs"
import * as A from "@automerge/automerge"
import { beforeAll, describe, expect, it } from "vitest"
import { demoEntries, demoPlan } from "../dev/site.mjs"
import { parsePlan } from "../src/logbook/plan"
import { RulesModule, RulesRefused } from "../src/rules/module"
import { parseOutput } from "../src/rules/output"

const path = new URL("../src/generated/rules.wasm", import.meta.url)
const now = Date.UTC(2026, 10, 25, 12, 0)
let source: WebAssembly.Module
beforeAll(async () => {
  if (!existsSync(path)) throw new Error("the rules are not built: npm run wasm")
  source = await WebAssembly.compile(readFileSync(path))
})
const started = async (): Promise<RulesModule> => {
  const rules = await RulesModule.start(source)
  for (const change of A.getAllChanges(A.from(demoPlan(now)))) rules.planChange(change)
  return rules
}

describe("the rules as a module", () => {
  it("projects the plan and works out what is due", async () => {
    const rules = await started()
    const plan = parsePlan(rules.plan())
    expect(plan?.gates.map((g) => g.name)).toEqual(["East race", "Yard gate"])
    expect(plan?.checks.size).toBeGreaterThan(20)
    const raws = demoEntries(now).map((e: { raw: string }) => e.raw)
    expect(rules.entries(raws)).toBe(raws.length)
    expect(rules.rejected()).toBe("[]")
    rules.heads("plan", ["00"])
    const output = parseOutput(rules.evaluate(now))
    expect(output.now).toBe(now)
    expect(output.flags.map((f) => f.subject)).toContain("manual/e")
    expect(output.due.length).toBeGreaterThan(20)
    expect(rules.conflicts()).toBe("[]")
  })
  it("does not care in which order entries come, nor how often", async () => {
    const raws: string[] = demoEntries(now).map((e: { raw: string }) => e.raw)
    const [one, other] = [await started(), await started()]
    one.entries(raws)
    for (const raw of [...raws].reverse()) other.entries([raw])
    expect(other.entries(raws)).toBe(0)
    expect(other.evaluate(now)).toBe(one.evaluate(now))
  })
  it("names an entry that it cannot read and goes on", async () => {
    const rules = await started()
    expect(rules.entries(['{"id":"01ARYZ6S410000000000000000","kind":"smell"}', "no JSON"])).toBe(0)
    const rejected = JSON.parse(rules.rejected()) as { id: string; why: string }[]
    expect(rejected.map((r) => r.id)).toEqual(["01ARYZ6S410000000000000000", ""])
    expect(rejected[0]?.why).not.toBe("")
  })
  it("turns a damaged plan change away with a sentence, and stands", async () => {
    const rules = await started()
    expect(() => rules.planChange(new Uint8Array([1, 2, 3]))).toThrow(RulesRefused)
    expect(rules.plan()).toContain("East race")
  })
  it("forgets everything when told to", async () => {
    const rules = await started()
    rules.entries(demoEntries(now).map((e: { raw: string }) => e.raw))
    rules.reset()
    expect(parseOutput(rules.evaluate(now))).toMatchObject({ due: [], flags: [] })
  })
})
