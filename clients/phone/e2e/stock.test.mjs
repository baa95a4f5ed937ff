// Unmodified automerge-repo clients are full members: they read, write, go
// offline and converge, and a phone shows what they wrote.
import assert from "node:assert/strict"
import { isDeepStrictEqual } from "node:util"
import { after, before, test } from "node:test"
import { closeAll, Farm, until } from "./farm.mjs"
import { Phone } from "./phone.mjs"
import { Script } from "./script.mjs"

let farm
const open = []
before(async () => {
  farm = await Farm.open()
})
after(async () => {
  await closeAll(...open)
  await closeAll(farm)
})

test("two stock clients and a phone share the log", { timeout: 180_000 }, async () => {
  const phone = new Phone(farm, "Petru Albu")
  open.push(phone)
  await phone.start()
  await phone.join()
  const dan = await Script.open(farm, "Dan Foley")
  const irena = await Script.open(farm, "Irena Kos")
  open.push(dan, irena)

  const plan = (await dan.plan()).doc()
  assert.equal(String(plan.site.name.val ?? plan.site.name), "Sallow Brook")
  assert.deepEqual(Object.keys(plan.gates).toSorted(), ["e", "w"])
  assert.ok(Object.keys(plan.checks).includes("e10"))

  const first = await dan.append({ kind: "note", gate: "e", text: "written by a program" })
  await irena.has(first)

  for (const one of [dan, irena]) await one.line.cut()
  const apart = [
    await dan.append({ kind: "tick", gate: "e", check: "e01" }),
    await dan.append({ kind: "note", gate: "w", text: "from the first line" }),
    await irena.append({ kind: "reading", gate: "e", check: "e10", value: 7, unit: "bar" }),
    await irena.append({ kind: "note", gate: "w", text: "from the second line" }),
  ]
  const onServer = await farm.rules(Date.now())
  for (const raw of apart) assert.ok(!onServer.includes(JSON.parse(raw).id))
  assert.ok(!(await irena.texts()).includes(apart[0]), "while cut off they do not see one another")
  assert.ok(!(await dan.texts()).includes(apart[2]))
  for (const one of [dan, irena]) await one.line.mend()
  for (const one of [dan, irena]) for (const raw of apart) await one.has(raw)
  await until("equal heads at both and at the server", async () => {
    const heads = await dan.heads()
    return isDeepStrictEqual(heads, await irena.heads()) && isDeepStrictEqual(heads, (await farm.heads())[dan.month])
  })

  await phone.synced()
  const onPhone = await phone.entries()
  for (const raw of [first, ...apart]) assert.ok(onPhone.includes(raw), `the phone holds ${raw}`)
  await phone.page.getByRole("button", { name: "Log", exact: true }).click()
  await phone.page.getByText("written by a program").waitFor()
  await phone.page.getByText("from the second line").waitFor()
  await phone.shot("stock-1-log")
  const now = Date.now()
  assert.equal(await phone.rulesAt(now), await farm.rules(now))
})

test("an entry under a foreign name is refused, and its writer is told why", { timeout: 60_000 }, async () => {
  const one = await Script.open(farm, "Dan Foley")
  const other = await Script.open(farm, "Irena Kos")
  open.push(one, other)
  const told = new Promise((resolve) => {
    void one.log().then((handle) => handle.on("ephemeral-message", ({ message }) => resolve(message)))
  })
  const forged = await one.append({ kind: "note", gate: "e", text: "not mine", by: other.ticket.person })
  const message = await told
  assert.equal(message.code, "by")
  assert.equal(message.rejected.length, 1)
  const good = await other.append({ kind: "note", gate: "e", text: "mine" })
  await until("the good entry on the server", async () => isDeepStrictEqual(await other.heads(), (await farm.heads())[other.month]))
  assert.ok((await other.texts()).includes(good))
  assert.ok(!(await other.texts()).includes(forged))
})
