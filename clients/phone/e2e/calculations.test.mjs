// Calculations on the phone: they come by themselves once the logbook is open,
// work without a network, and say the bytes that the console says.
import assert from "node:assert/strict"
import { execFile } from "node:child_process"
import { readFile } from "node:fs/promises"
import { fileURLToPath } from "node:url"
import { after, before, test } from "node:test"
import { promisify } from "node:util"
import { Farm, binary, closeAll, until } from "./farm.mjs"
import { Phone } from "./phone.mjs"

const run = promisify(execFile)
const examplesFile = fileURLToPath(new URL("../../../schema/calc/testdata/examples.json", import.meta.url))
const advice = "Advice only: the maker's manual, local codes and licensed trades come first."

let farm, dan
before(async () => {
  farm = await Farm.open()
  dan = new Phone(farm, "Dan Foley")
})
after(async () => {
  await closeAll(dan)
  await closeAll(farm)
})

/** What the console says: an answer, or the error that it tells programs with exit code 2. */
async function onConsole(name, json) {
  try {
    return (await run(binary, ["calc", name, "--json", json])).stdout.replace(/\n$/, "")
  } catch (problem) {
    assert.equal(problem.code, 2, problem.stderr)
    return problem.stdout.replace(/\n$/, "")
  }
}

const onPhone = (name, json) => dan.page.evaluate(([n, j]) => window.__gatewright.calculate(n, j), [name, json])

const cached = () =>
  dan.page.evaluate(async () => {
    for (const name of await caches.keys()) if ((await (await caches.open(name)).keys()).some((r) => /\/calc-[^/]+\.wasm$/.test(r.url))) return true
    return false
  })

test("a calculation without a network, and the same bytes as the console's from all of them", { timeout: 240_000 }, async (t) => {
  const asked = []
  await dan.start()
  dan.page.on("request", (request) => asked.push(request.url()))
  await dan.page.reload()
  await dan.page.getByLabel("Code of the invitation").waitFor()
  await dan.page.evaluate(() => navigator.serviceWorker.ready.then(() => undefined))
  assert.ok(asked.some((url) => url.includes("/assets/")), "the page's own files are seen")
  assert.deepEqual(asked.filter((url) => url.includes("calc-")), [], "nothing of the calculations comes with the first page")
  assert.equal(await cached(), false, "nor with the files kept for a start without network")

  await dan.join()
  await until("the calculations in the cache", cached)
  await dan.setOffline(true)
  await dan.page.reload()
  await dan.page.getByRole("heading", { name: "Round today" }).waitFor()

  // By hand: a ram's thrust, first with a mistake.
  await dan.page.getByRole("button", { name: "More", exact: true }).click()
  await dan.page.getByRole("button", { name: "Calculate", exact: true }).click()
  const sheet = dan.page.getByRole("dialog")
  await sheet.getByText(advice).waitFor()
  await sheet.getByRole("heading", { name: "Compressed air" }).waitFor()
  await dan.shot("calculations-1-list")
  await sheet.getByRole("button", { name: /^Thrust of a ram/ }).click()
  await sheet.getByText(advice).waitFor()
  const field = (label) => sheet.getByRole("textbox", { name: label })
  await field("inner diameter of the ram (mm)").fill("50")
  await field("diameter of its rod (mm)").fill("60")
  await field("its stroke (mm)").fill("300")
  await field(/^Gauge pressure/).fill("6,5")
  const calculate = sheet.getByRole("button", { name: "Calculate", exact: true })
  await calculate.click()
  const rod = { bore_mm: 50, rod_mm: 60, stroke_mm: 300, pressure_bar: 6.5 }
  const { error } = JSON.parse(await onConsole("air.cylinder", JSON.stringify(rod)))
  assert.equal(error.field, "rod_mm", "the console names the field")
  const wrong = sheet.getByRole("alert")
  await wrong.waitFor()
  assert.equal(await wrong.textContent(), error.message.replace("rod_mm ", "").replace("bore_mm", "“Inner diameter of the ram”"), "and the phone says the same in its words")
  assert.equal(await field("diameter of its rod (mm)").getAttribute("aria-invalid"), "true", "at that field")
  await dan.shot("calculations-2-wrong")

  await field("diameter of its rod (mm)").fill("20")
  await calculate.click()
  await sheet.getByText("In full, as JSON").click()
  const want = await onConsole("air.cylinder", JSON.stringify({ ...rod, rod_mm: 20 }))
  assert.equal(await sheet.locator("code").textContent(), want)
  const push = JSON.parse(want).push_n
  await sheet.getByText(`${Number(push.toPrecision(6))}`, { exact: true }).waitFor()
  await sheet.getByText(/^Source: /).waitFor()
  await dan.shot("calculations-3-answer")

  const examples = JSON.parse(await readFile(examplesFile, "utf8"))
  const { calculations } = JSON.parse((await run(binary, ["calc", "--schemas"], { maxBuffer: 16 << 20 })).stdout)
  assert.ok(calculations.length > 20, `${calculations.length} calculations`)
  for (const { name } of calculations) {
    const json = JSON.stringify(examples[name])
    const said = await onConsole(name, json)
    assert.ok(!said.startsWith('{"error"'), `${name}: ${said}`)
    assert.equal(await onPhone(name, json), said, name)
    for (const bad of ["{}", '{"no such field":1}', "[", json.replace("{", '{"x y":null,')]) assert.equal(await onPhone(name, bad), await onConsole(name, bad), `${name} ${bad}`)
  }
  assert.equal(await onPhone("no.such", "{}"), await onConsole("no.such", "{}"))

  // Every one of them has a form that opens.
  await sheet.getByRole("button", { name: "All calculations" }).click()
  for (const { about, source } of calculations) {
    await sheet.getByRole("button", { name: about, exact: true }).click()
    await sheet.getByText(`Source: ${source}`, { exact: true }).waitFor()
    assert.ok((await sheet.locator("form input, form textarea, form fieldset").count()) > 0, about)
    await sheet.getByRole("button", { name: "All calculations" }).click()
  }
  assert.deepEqual(dan.errors, [])
  t.diagnostic(`${calculations.length} calculations compared`)
})
