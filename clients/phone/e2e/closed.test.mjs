// What closed months say is remembered, so that a phone need not read years of
// them at every start; it says the same as the server all the same, and a late
// entry in a closed month still arrives.
import assert from "node:assert/strict"
import { after, before, test } from "node:test"
import { closeAll, Farm, until } from "./farm.mjs"
import { Phone } from "./phone.mjs"
import { Script } from "./script.mjs"

let farm, phone, script
before(async () => {
  farm = await Farm.open()
})
after(async () => {
  await closeAll(phone, script)
  await closeAll(farm)
})

const month = (back) => {
  const now = new Date()
  return Date.UTC(now.getUTCFullYear(), now.getUTCMonth() - back, 10, 8, 0)
}
const named = (ms) => `log/${new Date(ms).toISOString().slice(0, 7)}`
const unopened = () => phone.page.evaluate(() => [...window.__gatewright.unopened()])
const flags = async () => JSON.parse(await phone.rules()).flags.map((f) => f.subject)

test("months that are closed stay shut", { timeout: 180_000 }, async () => {
  script = await Script.open(farm, "Maeve Tully")
  const old = []
  for (const back of [14, 9, 5]) old.push(await script.appendLate(month(back), { kind: "fault", gate: "e", seen: "stiff" }))
  await until("the server has them", async () => (await farm.heads())[named(month(5))] !== undefined && (await farm.heads())[named(month(14))] !== undefined && (await farm.heads())[named(month(9))] !== undefined)

  phone = new Phone(farm, "Petru Albu")
  await phone.start()
  await phone.join()
  await phone.synced()
  const faults = old.map((raw) => `fault/${JSON.parse(raw).id}`)
  for (const fault of faults) assert.ok((await flags()).includes(fault))
  await until("closed months are remembered", () => phone.page.evaluate(() => window.__gatewright.remembered()))

  // From a dead battery and without network: the old months are not opened, and the flags that come from them are there.
  await phone.kill()
  await phone.start({ offline: true })
  const now = Date.now()
  const text = await phone.rulesAt(now)
  assert.deepEqual((await unopened()).toSorted(), [named(month(14)), named(month(9)), named(month(5))].toSorted())
  assert.equal(text, await farm.rules(now), "the phone that read no closed month says what the server says")
  for (const fault of faults) assert.ok((await flags()).includes(fault))
  assert.ok(!(await phone.entries()).some((raw) => old.includes(raw)), "the entries themselves were not read")

  // Somebody's late entry in a closed month opens that one alone.
  const late = await script.appendLate(month(9) + 3_600_000, { kind: "fault", gate: "e", seen: "leaking" })
  await phone.setClock({ shift: 0 })
  await phone.setOffline(false)
  await phone.synced()
  await until("the late fault is a flag", async () => (await flags()).includes(`fault/${JSON.parse(late).id}`))
  assert.deepEqual((await unopened()).toSorted(), [named(month(14)), named(month(5))].toSorted())
  await until("it is remembered, too", () => phone.page.evaluate(() => window.__gatewright.remembered()))
  const then = Date.now()
  assert.equal(await phone.rulesAt(then), await farm.rules(then))
  assert.deepEqual((await unopened()).length, 3, "and its month stays shut again")

  // Looking back opens them.
  await phone.page.getByRole("navigation").getByRole("button", { name: /^Log/ }).click()
  await phone.page.getByRole("button", { name: "Show older entries" }).click()
  await until("the old entries are there", async () => (await phone.entries()).includes(old[0]))
  assert.deepEqual(await unopened(), [])
  assert.deepEqual(phone.errors, [])
})
