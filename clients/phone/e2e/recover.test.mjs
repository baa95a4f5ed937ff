// Somebody's access ends while the phone is off the network: what that person
// recorded is not accepted, with the reason shown; what others recorded on the
// same phone goes through; a manager accepts and discards; and a phone that is
// killed while it records anew loses nothing.
import assert from "node:assert/strict"
import { after, before, test } from "node:test"
import { closeAll, Farm, until } from "./farm.mjs"
import { alsoJoin, closeSheet, lookAt, note, switchTo, tab } from "./hands.mjs"
import { Office } from "./office.mjs"
import { Phone } from "./phone.mjs"

const lenses = "Wipe photocell lenses"
const pressure = "Supply pressure, gate at rest"

let farm, office, dan, maeve, petru
const phones = []
before(async () => {
  farm = await Farm.open()
  office = await Office.open(farm)
})
after(async () => {
  await closeAll(...phones)
  await closeAll(farm)
})

const look = (phone, name) => lookAt(phone, `recover-${name}`)
const refusedOn = async (phone) => (await phone.outbox()).filter((p) => p.state === "refused")
const nothingWaits = (phone) => until(`nothing waits on ${phone.name}'s phone`, async () => (await phone.link()) === "online" && (await phone.outbox()).every((p) => p.state !== "waiting"), 60_000)
const has = (phone, raw) => until(`${phone.name}'s phone has ${raw}`, async () => (await phone.entries()).includes(raw), 60_000)

test("what a removed person recorded is not accepted, a manager decides, and the others do not notice", { timeout: 240_000 }, async () => {
  ;[dan, maeve, petru] = ["Dan Foley", "Maeve Tully", "Petru Albu"].map((name) => new Phone(farm, name))
  phones.push(dan, maeve, petru)
  for (const phone of phones) {
    await phone.start()
    await phone.join()
  }
  await alsoJoin(dan, farm.links.get("Irena Kos").split("#")[1])
  await dan.synced()

  // Irena does one thing that reaches the server before all this.
  await switchTo(dan, "Irena Kos")
  await note(dan, "Yard gate", "Before it all")
  await dan.synced()
  await dan.setOffline(true)
  const danId = await office.endPerson("Dan Foley")
  await switchTo(dan, "Dan Foley")
  await dan.tick("East race", lenses)
  await dan.enter("East race", pressure, "5.4", "bar")
  await note(dan, "East race", "The hinge squeaks")
  await switchTo(dan, "Irena Kos")
  await dan.tick("Yard gate", lenses)
  await note(dan, "Yard gate", "From Irena")
  const saved = (await dan.outbox()).map((p) => p.raw)
  const dans = saved.filter((raw) => JSON.parse(raw).by === danId)
  const irenas = saved.filter((raw) => JSON.parse(raw).by !== danId)
  assert.deepEqual([dans.length, irenas.length], [3, 2])
  const tick = dans.find((raw) => JSON.parse(raw).kind === "tick")
  const reading = dans.find((raw) => JSON.parse(raw).kind === "reading")
  const squeak = dans.find((raw) => JSON.parse(raw).kind === "note")

  await dan.setOffline(false)
  await nothingWaits(dan)
  for (const raw of irenas) await has(petru, raw)
  const refused = await refusedOn(dan)
  assert.deepEqual(refused.map((p) => p.raw).toSorted(), dans.toSorted(), "Dan's three are kept in the same words, and nothing else is turned away")
  for (const p of refused) assert.equal(p.code, "by")
  const everywhere = await petru.entries()
  for (const raw of dans) assert.ok(!everywhere.includes(raw))

  // Where a person sees it: the line at the top, the log, and the list.
  await dan.page.getByRole("banner").getByText("3 not accepted").waitFor()
  await look(dan, "top")
  await tab(dan, "Log")
  const line = dan.page.getByRole("listitem").filter({ hasText: "The hinge squeaks" })
  await line.evaluate((e) => e.scrollIntoView({ block: "center" }))
  await line.getByText("Dan Foley had no right to record").waitFor()
  await look(dan, "log")
  await tab(dan, "More")
  await dan.page.getByRole("main").getByRole("button", { name: /Dan Foley/ }).getByText("access has ended").waitFor()
  await look(dan, "people")
  await dan.page.getByRole("main").getByRole("button", { name: "See why" }).scrollIntoViewIfNeeded()
  await look(dan, "more")
  await dan.page.getByRole("banner").getByRole("button", { name: /3 not accepted/ }).click()
  const sheet = dan.page.getByRole("dialog")
  const mine = sheet.getByRole("list", { name: "Not accepted" }).getByRole("listitem")
  assert.equal(await mine.count(), 3)
  for (const words of ["5.4 bar", "The hinge squeaks", "Dan Foley had no right to record at this site on this phone at that time."]) await mine.filter({ hasText: words }).first().waitFor()
  await sheet.getByText("Show them to a manager").waitFor()
  await look(dan, "not-accepted")
  await closeSheet(dan)

  // Maeve decides on her phone.
  await tab(maeve, "More")
  await maeve.page.getByText("3 refused entries wait for a manager to decide.").evaluate((e) => e.scrollIntoView({ block: "center" }))
  await look(maeve, "more-manager")
  await maeve.page.getByRole("button", { name: "Decide what was refused" }).click()
  await maeve.page.getByRole("dialog", { name: "Sign in as manager" }).getByLabel("Or a passphrase").waitFor()
  await look(maeve, "sign-in-first")
  await maeve.signIn()
  const desk = maeve.page.getByRole("dialog")
  const open = desk.getByRole("list", { name: "To decide" }).getByRole("listitem")
  await open.filter({ hasText: "5.4 bar" }).waitFor()
  assert.equal(await open.count(), 3)
  await look(maeve, "to-decide")
  await open.filter({ hasText: "5.4 bar" }).getByRole("button", { name: /^Accept/ }).click()
  await maeve.told("Accepted")
  await open.filter({ hasText: "5.4 bar" }).waitFor({ state: "detached" })
  const hinge = open.filter({ hasText: "The hinge squeaks" })
  await hinge.getByRole("button", { name: /^Discard/ }).click()
  await hinge.getByRole("button", { name: "Discard with this reason" }).click()
  await hinge.getByRole("alert").filter({ hasText: "Give the reason first" }).waitFor()
  await hinge.getByRole("button", { name: "recorded twice" }).click()
  await hinge.getByLabel("In your own words").fill("it is in the book already")
  await look(maeve, "discard")
  await hinge.getByRole("button", { name: "Discard with this reason" }).click()
  await hinge.waitFor({ state: "detached" })
  assert.equal(await open.count(), 1)
  await desk.getByRole("button", { name: "Decided" }).click()
  const decided = desk.getByRole("list", { name: "Decided" }).getByRole("listitem")
  await decided.filter({ hasText: "The hinge squeaks" }).filter({ hasText: "recorded twice, it is in the book already" }).filter({ hasText: "Discarded by Maeve Tully" }).waitFor()
  await decided.filter({ hasText: "5.4 bar" }).filter({ hasText: "Accepted by Maeve Tully" }).waitFor()
  await look(maeve, "decided")
  await closeSheet(maeve)

  // Everybody has what was accepted, in Dan's words; his phone no longer lists it as not accepted.
  for (const phone of [petru, maeve, dan]) await has(phone, reading)
  await until("the accepted entry has left the list", async () => (await refusedOn(dan)).length === 2)
  assert.deepEqual((await refusedOn(dan)).map((p) => p.raw).toSorted(), [tick, squeak].toSorted())
  await tab(dan, "Log")
  const again = dan.page.getByRole("listitem").filter({ hasText: /^Supply pressure.*5.4 bar/ })
  await again.filter({ hasText: "safe on the server" }).getByText("Dan Foley").waitFor()
  assert.equal(await again.filter({ hasText: "not accepted" }).count(), 0)
  const server = (await office.refused(true)).map((item) => [item.entries[0].raw, item.decision, item.why ?? ""])
  assert.deepEqual(server.toSorted(), [[reading, "accept", ""], [squeak, "discard", "recorded twice, it is in the book already"]].toSorted())
  assert.equal((await petru.entries()).filter((raw) => raw.includes('"kind":"admitted"')).length, 1)
  await tab(petru, "Log")
  await petru.page.getByRole("listitem").filter({ hasText: /^Accepted by a manager: Supply pressure.*5.4 bar/ }).first().waitFor()
  const itself = petru.page.getByRole("listitem").filter({ hasText: /^Supply pressure.*5.4 bar/ }).filter({ hasText: "Dan Foley" })
  await itself.getByText("safe on the server").waitFor()
  await look(petru, "accepted-elsewhere")
  await tab(petru, "Round")

  // Dan's phone says what was decided, and lets go of what nobody needs.
  await dan.page.getByRole("banner").getByRole("button", { name: /2 not accepted/ }).click()
  const gone = mine.filter({ hasText: "The hinge squeaks" })
  await gone.filter({ hasText: "Maeve Tully has discarded it" }).filter({ hasText: "it is in the book already" }).waitFor()
  await look(dan, "discarded")
  await gone.getByRole("button", { name: /^Forget/ }).click()
  await gone.getByRole("button", { name: "Keep it" }).click()
  await gone.getByRole("button", { name: /^Forget/ }).click()
  await gone.getByRole("alert").waitFor()
  await look(dan, "forget")
  await gone.getByRole("button", { name: "Forget it" }).click()
  await gone.waitFor({ state: "detached" })
  await closeSheet(dan)
  assert.deepEqual((await refusedOn(dan)).map((p) => p.raw), [tick])

  // And the phone is not wedged.
  await note(dan, "Yard gate", "Next day").catch(async () => {
    await tab(dan, "Round")
    await note(dan, "Yard gate", "Next day")
  })
  await until("the next entry reaches the others", async () => (await petru.entries()).some((raw) => raw.includes("Next day")))
  for (const phone of phones) assert.deepEqual(phone.errors, [])
})

// The moments of recording anew at which the battery falls out.
const moments = {
  "the refusal is being noted": "noting",
  "the old copy is gone, and that is being noted": "dropped",
  "the first entry is put back": "putting back",
}

/** Stands still for ever at the moment; the page says so just before. */
function standStillAt(moment) {
  const stop = () => {
    console.log("standing still")
    for (;;);
  }
  const put = IDBObjectStore.prototype.put
  const remove = IDBObjectStore.prototype.delete
  let dropped = false
  IDBObjectStore.prototype.put = function (value, key) {
    if (moment === "noting" && typeof key === "string" && key.startsWith("drop log/")) stop()
    if (moment === "putting back" && dropped && Array.isArray(key) && key[1] !== "sync-state") stop()
    return put.apply(this, arguments)
  }
  IDBObjectStore.prototype.delete = function (key) {
    if (typeof key === "string" && key.startsWith("drop log/")) {
      if (moment === "dropped") stop()
      dropped = true
    }
    return remove.apply(this, arguments)
  }
}

test("a phone that is killed while it records anew comes back with nothing lost", { timeout: 240_000 }, async (t) => {
  await alsoJoin(petru, await office.invitation("crew", "Nora Daly"))
  await petru.synced()
  await petru.setOffline(true)
  const petruId = await office.endPerson("Petru Albu")
  const all = []
  for (const [what, moment] of Object.entries(moments)) {
    await petru.page.getByRole("heading", { name: "Round today" }).waitFor()
    await switchTo(petru, "Nora Daly")
    await note(petru, "East race", `one: ${what}`)
    await switchTo(petru, "Petru Albu")
    await note(petru, "East race", `two: ${what}`)
    await switchTo(petru, "Nora Daly")
    await note(petru, "East race", `three: ${what}`)
    all.push(...(await petru.outbox()).map((p) => p.raw).filter((raw) => !all.includes(raw)))

    await petru.page.evaluate(standStillAt, moment)
    const stands = petru.page.waitForEvent("console", { predicate: (m) => m.text() === "standing still", timeout: 60_000 })
    await petru.setOffline(false)
    await stands
    await petru.kill()

    await petru.start({ offline: true })
    await petru.page.getByRole("heading", { name: "Round today" }).waitFor()
    const kept = (await petru.outbox()).map((p) => p.raw)
    const arrived = await maeve.entries()
    for (const raw of all) assert.ok(kept.includes(raw) || arrived.includes(raw), `killed when ${what}: ${raw} is neither on the phone nor on the server`)
    t.diagnostic(`killed when ${what}: ${kept.length} in the outbox, ${all.filter((raw) => arrived.includes(raw)).length} of ${all.length} on the server`)
  }
  assert.equal(all.length, 9)

  await petru.setOffline(false)
  await nothingWaits(petru)
  const noras = all.filter((raw) => JSON.parse(raw).by !== petruId)
  const petrus = all.filter((raw) => JSON.parse(raw).by === petruId)
  assert.deepEqual([noras.length, petrus.length], [6, 3])
  for (const raw of noras) await has(maeve, raw)
  assert.deepEqual((await refusedOn(petru)).map((p) => p.raw).toSorted(), petrus.toSorted())
  // Each of them is in quarantine once for the manager, however often it was brought.
  const waiting = (await office.refused()).flatMap((item) => item.entries.map((e) => e.raw)).filter((raw) => petrus.includes(raw))
  assert.deepEqual(waiting.toSorted(), petrus.toSorted())
  // Its copy was dropped with the refusal: what had reached the server before comes back from there.
  for (const raw of noras) await has(petru, raw)
  await petru.shot("recover-after-kills")
})

test("a phone that was revoked hands over what it still holds, and a manager accepts it", { timeout: 120_000 }, async () => {
  const before = (await office.refused()).length
  await petru.setOffline(true)
  await switchTo(petru, "Nora Daly")
  await note(petru, "East race", "From the lost phone")
  const raw = (await petru.outbox()).find((p) => p.raw.includes("From the lost phone")).raw
  await office.at("POST", `/devices/${JSON.parse(raw).dev}/revoke`, {})
  await petru.setOffline(false)
  await until("it is handed over", async () => (await petru.outbox()).find((p) => p.raw === raw)?.code === "ended", 60_000)
  await petru.page.getByRole("banner").getByText(/access ended/).waitFor()
  await petru.page.getByRole("banner").getByRole("button", { name: /not accepted/ }).click()
  await petru.page.getByRole("listitem").filter({ hasText: "From the lost phone" }).getByText("The access of this phone has ended. A manager has been handed this entry.").waitFor()
  await look(petru, "revoked")
  const items = await office.refused()
  assert.equal(items.length, before + 1)
  const item = items.find((i) => i.entries[0].raw === raw)
  assert.deepEqual([item.code, item.document, item.problem], ["revoked", undefined, undefined])
  await office.at("POST", `/quarantine/${item.id}`, { decision: "accept" })
  for (const phone of [maeve, dan]) await has(phone, raw)
  assert.ok((await refusedOn(petru)).some((p) => p.raw === raw), "the phone keeps its own copy: it may read nothing any more")
})
