// People come to a site and leave it, and share phones: by links and typed codes,
// by a manager's hand.
import assert from "node:assert/strict"
import { after, before, test } from "node:test"
import decodeQR from "qr/decode.js"
import { closeAll, Farm, until } from "./farm.mjs"
import { alsoJoin, closeSheet, lookAt, note, switchTo, tab } from "./hands.mjs"
import { Phone } from "./phone.mjs"

let farm, maeve, fitter, ana, yard, petru, apple
before(async () => {
  farm = await Farm.open()
})
after(async () => {
  await closeAll(maeve, fitter, ana, yard, petru, apple)
  await closeAll(farm)
})

const access = () => maeve.page.getByRole("dialog", { name: "People and phones" })
/** Maeve opens the list of people and phones, and signs in when that is asked for. */
async function openAccess() {
  await tab(maeve, "More")
  await maeve.page.getByRole("button", { name: "People and phones of the site" }).click()
  const signIn = maeve.page.getByRole("dialog", { name: "Sign in as manager" })
  await signIn.or(access()).first().waitFor()
  if (await signIn.isVisible()) await maeve.signIn()
  await access().getByRole("list", { name: "With access" }).waitFor()
}
const choose = (what) => access().getByRole("button", { name: what, exact: true }).click()
const card = (name) => access().getByRole("listitem").filter({ hasText: name })

/** What a camera reads from the picture on the screen. */
async function scanned(phone) {
  const { size, d } = await phone.page.getByRole("img", { name: "QR picture" }).evaluate((svg) => ({ size: svg.viewBox.baseVal.width, d: svg.querySelector("path").getAttribute("d") }))
  const scale = 6
  const width = size * scale
  const data = new Uint8Array(width * width * 4).fill(255)
  for (const [, x, y] of d.matchAll(/M(\d+) (\d+)h1/g)) {
    for (let row = 0; row < scale; row++) data.fill(0, ((y * scale + row) * width + x * scale) * 4, ((y * scale + row) * width + x * scale + scale) * 4)
  }
  return decodeQR({ width, height: width, data })
}

test("a manager invites by picture and by typed code, ends access and erases a name", { timeout: 240_000 }, async () => {
  maeve = new Phone(farm, "Maeve Tully")
  await maeve.start()
  await maeve.join()
  await maeve.synced()
  await openAccess()
  await card("Maeve Tully").getByText("manager · owner · you").waitFor()
  assert.equal(await card("Maeve Tully").getByRole("button", { name: /End access/ }).count(), 0, "nobody ends their own access by mistake")
  await lookAt(maeve, "people-list")

  // A contractor, for one gate and until a day; the page says what a log gives away.
  await choose("Invite")
  await choose("contractor")
  await access().getByText("can read all of it").waitFor()
  await access().getByLabel("Name").fill("Ferdia Roche")
  await access().getByRole("button", { name: "East race" }).click()
  await access().getByLabel("Until the end of").fill("2020-01-01")
  await access().getByRole("button", { name: "Make the invitation" }).click()
  await access().getByRole("alert").getByText("Choose today or a later day").waitFor()
  const day = new Date(Date.now() + 20 * 86_400_000).toISOString().slice(0, 10)
  await access().getByLabel("Until the end of").fill(day)
  await lookAt(maeve, "people-invite")
  await access().getByRole("button", { name: "Make the invitation" }).click()
  await access().getByText("Invitation for Ferdia Roche").waitFor()
  const code = (await access().locator(".code").textContent()).trim()
  assert.match(code, /^[0-9A-Z]{4} [0-9A-Z]{4}$/)
  await access().getByText("Good for 10 more minutes").waitFor()
  await lookAt(maeve, "people-invitation")
  const link = await scanned(maeve)
  assert.match(link, new RegExp(`^${farm.origin}/join#[0-9A-Z]{20}$`))

  // The code is typed on the contractor's own phone, in small letters; then the link opens nothing more.
  fitter = new Phone(farm, "Ferdia Roche")
  await fitter.start()
  await fitter.page.getByLabel("Code of the invitation").fill(code.toLowerCase())
  await fitter.page.getByRole("button", { name: "Look at the invitation" }).click()
  await fitter.page.getByText("You are invited to").waitFor()
  await fitter.page.getByText("as contractor").waitFor()
  assert.equal(await fitter.page.getByLabel("Your name").inputValue(), "Ferdia Roche")
  await fitter.page.getByRole("button", { name: "Join", exact: true }).click()
  await fitter.page.getByRole("heading", { name: "Round today" }).waitFor()
  await fitter.synced()

  // A milker, by the picture.
  await access().getByRole("button", { name: "Back to the list" }).click()
  await card("Ferdia Roche").getByText("Only: East race").waitFor()
  await card("Ferdia Roche").getByText(/until/).waitFor()
  await choose("Invite")
  await access().getByRole("button", { name: "Make the invitation" }).click()
  await access().getByText("Invitation as crew").waitFor()
  farm.links.set("Ana Brady", await scanned(maeve))
  ana = new Phone(farm, "Ana Brady")
  await ana.start()
  await ana.join()
  await note(ana, "Yard gate", "Ana was here")
  await ana.synced()

  // A second owner, whose phone joins later.
  await access().getByRole("button", { name: "Back to the list" }).click()
  await choose("Invite")
  await choose("manager")
  await access().getByText("Also an owner").click()
  await access().getByLabel("Name").fill("Grainne Moore")
  await access().getByRole("button", { name: "Make the invitation" }).click()
  await access().getByText("Invitation for Grainne Moore").waitFor()
  const key = Buffer.alloc(32, 7).toString("base64url")
  const joined = await fetch(`${farm.origin}/api/v1/join`, {
    method: "POST", headers: { "content-type": "application/json" },
    body: JSON.stringify({ code: (await scanned(maeve)).split("#")[1], device: { public_key: key, label: "office" } }),
  })
  assert.equal(joined.status, 200)
  await access().getByRole("button", { name: "Back to the list" }).click()
  await card("Grainne Moore").getByText("manager · owner").waitFor()

  // Ana's access ends: asked once, and at once on her phone.
  await closeSheet(maeve)
  await openAccess()
  await card("Ana Brady").getByRole("button", { name: "End access: Ana Brady" }).click()
  await card("Ana Brady").getByRole("alert").waitFor()
  await lookAt(maeve, "people-end")
  await card("Ana Brady").getByRole("button", { name: "End it now" }).click()
  const ended = access().getByRole("list", { name: "Access has ended" }).getByRole("listitem")
  await ended.filter({ hasText: "Ana Brady" }).waitFor()
  await ana.page.getByRole("banner").getByText("access ended").waitFor()

  // And her name goes; what she recorded stays, by nobody's name.
  await ended.getByRole("button", { name: "Erase the name: Ana Brady" }).click()
  await ended.getByText("signed records keep the printed name").waitFor()
  await lookAt(maeve, "people-erase")
  await ended.getByRole("button", { name: "Erase it" }).click()
  await ended.filter({ hasText: "Name erased" }).waitFor()
  await closeSheet(maeve)
  await tab(maeve, "Log")
  await maeve.page.getByRole("listitem").filter({ hasText: "Ana was here" }).getByText("Somebody (").waitFor()
  for (const phone of [maeve, fitter, ana]) assert.deepEqual(phone.errors, [])
})

/** A PIN by the keys on the screen. */
async function typePin(phone, digits) {
  const sheet = phone.page.getByRole("dialog")
  for (const digit of digits) await sheet.getByRole("button", { name: digit, exact: true }).click()
  await sheet.getByRole("button", { name: "OK", exact: true }).click()
}
const records = (phone, name) => phone.page.locator("header .person", { hasText: name }).waitFor()

test("three people share a phone without a network, the manager by a PIN, and each entry says who it was", { timeout: 240_000 }, async () => {
  await openAccess()
  await access().getByRole("button", { name: "New phone for Maeve Tully" }).click()
  await access().getByText("same name and history").waitFor()
  const link = await scanned(maeve)
  await closeSheet(maeve)

  yard = new Phone(farm, "Dan Foley")
  await yard.start()
  await yard.join()
  await alsoJoin(yard, farm.links.get("Irena Kos").split("#")[1])
  await yard.page.goto(link)
  let sheet = yard.page.getByRole("dialog")
  await sheet.getByRole("button", { name: "Join", exact: true }).click()

  // A manager among others: a PIN before anything else.
  await sheet.getByText("As a manager Maeve Tully needs a PIN here").waitFor()
  await lookAt(yard, "people-pin-set")
  await typePin(yard, "2468")
  await sheet.getByText("The new PIN once more").waitFor()
  await typePin(yard, "2469")
  await sheet.getByText("not the same").waitFor()
  await typePin(yard, "2468")
  await typePin(yard, "2468")
  await sheet.waitFor({ state: "detached" })
  await records(yard, "Maeve Tully")
  await switchTo(yard, "Dan Foley")
  await yard.synced()
  await yard.setOffline(true)

  await yard.tick("East race", "Wipe photocell lenses")
  await switchTo(yard, "Irena Kos")
  await yard.page.getByRole("status").filter({ hasText: "Wipe photocell lenses" }).waitFor({ state: "detached" })
  await note(yard, "Yard gate", "From Irena")

  // Maeve's tile asks; the third wrong try makes it wait, and a reload does not help.
  const ask = async () => {
    await yard.page.locator("header button.who").click()
    await sheet.getByRole("button", { name: /Maeve Tully/ }).click()
    await yard.page.getByRole("dialog", { name: "PIN of Maeve Tully" }).waitFor()
  }
  await ask()
  for (const _ of [1, 2]) {
    await typePin(yard, "1111")
    await sheet.getByText("That is not the PIN").waitFor()
  }
  await typePin(yard, "1112")
  await sheet.getByText("Too many wrong tries: wait").waitFor()
  await lookAt(yard, "people-pin-wait")
  await yard.page.reload()
  await records(yard, "Irena Kos")
  await ask()
  await sheet.getByText("Too many wrong tries: wait").waitFor()
  assert.ok(await sheet.getByRole("button", { name: "5", exact: true }).isDisabled())
  await yard.setClock({ shift: 16_000 })
  await sheet.getByText("Too many wrong tries: wait").waitFor({ state: "detached" })
  await lookAt(yard, "people-pin")
  await typePin(yard, "2468")
  await sheet.waitFor({ state: "detached" })
  await records(yard, "Maeve Tully")
  await note(yard, "Yard gate", "From Maeve")

  // Left lying about it goes back to the last without a PIN, but not over something half written.
  await yard.page.getByRole("button", { name: "More for Yard gate" }).click()
  await sheet.getByRole("button", { name: "Write a note" }).click()
  await sheet.getByLabel("The note").fill("half")
  await yard.setClock({ shift: 7 * 60_000 })
  await yard.page.evaluate(() => document.dispatchEvent(new Event("visibilitychange")))
  assert.equal(await sheet.getByLabel("The note").inputValue(), "half")
  await records(yard, "Maeve Tully")
  await sheet.getByLabel("The note").fill("")
  await yard.setClock({ shift: 14 * 60_000 })
  await records(yard, "Irena Kos")
  await sheet.waitFor({ state: "detached" })
  await yard.setClock({ shift: 0 })

  // A start asks, too: with a PIN for everybody there are only the tiles, and nobody records.
  const saved = (await yard.outbox()).map((p) => JSON.parse(p.raw))
  const ids = Object.fromEntries(await yard.page.evaluate(() => window.__gatewright.people()))
  assert.deepEqual(saved.map((e) => ids[e.by]), ["Dan Foley", "Irena Kos", "Maeve Tully"])
  for (const name of ["Irena Kos", "Dan Foley"]) {
    await yard.page.locator("header button.who").click()
    if (name === "Dan Foley") {
      await sheet.getByRole("button", { name: /Dan Foley/ }).click()
      await records(yard, name)
      await yard.page.locator("header button.who").click()
    }
    await sheet.getByRole("button", { name: "Set a PIN" }).click()
    await typePin(yard, "9753")
    await typePin(yard, "9753")
    await sheet.waitFor({ state: "detached" })
  }
  await yard.page.locator("header button.who").click()
  await lookAt(yard, "people-mine")
  await sheet.getByRole("button", { name: "Lock now" }).click()
  await yard.page.getByRole("heading", { name: "Who records now?" }).waitFor()
  await sheet.waitFor({ state: "detached" })
  await lookAt(yard, "people-locked")
  await yard.page.reload()
  await yard.page.getByRole("heading", { name: "Who records now?" }).waitFor()
  await yard.page.getByRole("button", { name: /Dan Foley/ }).click()
  await typePin(yard, "9753")
  await records(yard, "Dan Foley")

  // A second tab that waited knows what happened in the first, and asks as well.
  const second = await yard.page.context().newPage()
  second.on("pageerror", (problem) => yard.errors.push(problem.message))
  await second.goto(farm.origin)
  await second.getByRole("heading", { name: "Open in another tab" }).waitFor()
  await yard.page.locator("header button.who").click()
  await sheet.getByRole("button", { name: "Change or remove the PIN" }).click()
  await typePin(yard, "9753")
  await sheet.getByText("The new PIN", { exact: true }).waitFor()
  await typePin(yard, "8642")
  await typePin(yard, "8642")
  await sheet.waitFor({ state: "detached" })
  await yard.page.close()
  yard.page = second
  sheet = second.getByRole("dialog")
  await second.getByRole("heading", { name: "Who records now?" }).waitFor()
  await second.getByRole("button", { name: /Dan Foley/ }).click()
  await typePin(yard, "9753")
  await yard.page.getByText("That is not the PIN").waitFor()
  await typePin(yard, "8642")
  await records(yard, "Dan Foley")

  // Off this phone: not while something of theirs is unsent.
  await yard.page.locator("header button.who").click()
  await sheet.getByRole("button", { name: "Take Dan Foley off this phone" }).click()
  await sheet.getByText("1 entry of yours is not on the server yet").waitFor()
  await sheet.getByRole("button", { name: "Export as a file" }).waitFor()
  await lookAt(yard, "people-leave-unsent")
  await yard.setOffline(false)
  await yard.synced()
  await sheet.getByText("Take Dan Foley off this phone?").waitFor()
  await sheet.getByRole("button", { name: "Take off", exact: true }).click()
  await yard.page.getByRole("heading", { name: "Who records now?" }).waitFor()
  assert.deepEqual((await yard.page.locator("main li strong").allTextContents()).toSorted(), ["Irena Kos", "Maeve Tully"])

  // Maeve has forgotten her PIN: she signs in and sets another; the old one is nothing any more.
  await yard.page.getByRole("button", { name: /Maeve Tully/ }).click()
  await sheet.getByText("PIN forgotten?").click()
  await lookAt(yard, "people-pin-forgotten")
  await sheet.getByRole("button", { name: "Sign in instead" }).click()
  await yard.signIn()
  await sheet.getByText("The new PIN", { exact: true }).waitFor()
  await typePin(yard, "13579")
  await typePin(yard, "13579")
  await records(yard, "Maeve Tully")
  await sheet.waitFor({ state: "detached" })
  await yard.page.locator("header button.who").click()
  await sheet.getByRole("button", { name: "Change or remove the PIN" }).click()
  await typePin(yard, "2468")
  await sheet.getByText("That is not the PIN").waitFor()
  await typePin(yard, "13579")
  await sheet.getByText("Managers keep a PIN on a phone that others use").waitFor()
  await sheet.getByRole("button", { name: "Close" }).click()

  // On the other phones each stands beside what they recorded.
  await maeve.synced()
  await tab(maeve, "Log")
  for (const [what, who] of [["From Irena", "Irena Kos"], ["From Maeve", "Maeve Tully"]]) await maeve.page.getByRole("listitem").filter({ hasText: what }).getByText(who).first().waitFor()
  for (const phone of [maeve, yard]) assert.deepEqual(phone.errors, [])
})

const has = (phone, raw) => until(`${phone.name}'s phone has ${raw}`, async () => (await phone.entries()).includes(raw), 60_000)
/** The phones in Maeve's list that have this person on them and are in use, the last seen first. */
const phonesOf = (name) => access().getByRole("listitem").filter({ hasText: name }).filter({ hasNotText: "demo history" }).filter({ has: maeve.page.getByRole("button", { name: /^Revoke/ }) })
async function revoke(phone, picture) {
  await phone.getByRole("button", { name: /^Revoke/ }).click()
  const sure = access().getByRole("alert").filter({ hasText: "Revoke this phone?" })
  await sure.waitFor()
  if (picture !== undefined) await lookAt(maeve, picture)
  await access().getByRole("button", { name: "Revoke it now" }).click()
  await sure.waitFor({ state: "detached" })
}

test("a phone that lost its storage joins again as the same person", { timeout: 180_000 }, async () => {
  petru = new Phone(farm, "Petru Albu")
  await petru.start()
  await petru.join()
  await note(petru, "East race", "Before the wipe")
  await petru.synced()
  const before = (await petru.entries()).find((raw) => raw.includes("Before the wipe"))

  // The platform makes room while the app is closed.
  await petru.page.goto("about:blank")
  const cdp = await petru.page.context().newCDPSession(petru.page)
  await cdp.send("Storage.clearDataForOrigin", { origin: farm.origin, storageTypes: "all" })
  await petru.page.goto(farm.origin)
  await petru.page.getByRole("heading", { name: "Join a site" }).waitFor()
  await cdp.detach()

  await openAccess()
  await access().getByRole("button", { name: "New phone for Petru Albu" }).click()
  await access().getByText("same name and history").waitFor()
  await petru.page.getByLabel("Code of the invitation").fill((await access().locator(".code").textContent()).trim())
  await petru.page.getByRole("button", { name: "Look at the invitation" }).click()
  await petru.page.getByRole("button", { name: "Join", exact: true }).click()
  await petru.page.getByRole("heading", { name: "Round today" }).waitFor()
  await petru.synced()
  assert.ok((await petru.entries()).includes(before), "what was recorded before is here again")
  await note(petru, "East race", "After the wipe")
  const after = JSON.parse((await petru.entries()).find((raw) => raw.includes("After the wipe")))
  assert.equal(after.by, JSON.parse(before).by)
  assert.notEqual(after.dev, JSON.parse(before).dev)
  await tab(petru, "Log")
  for (const words of ["Before the wipe", "After the wipe"]) await petru.page.getByRole("listitem").filter({ hasText: words }).getByText("Petru Albu").waitFor()
  await tab(petru, "Round")
  await petru.synced()

  // The phone as it was before is offered to be revoked.
  await access().getByRole("button", { name: "See the phones" }).click()
  await phonesOf("Petru Albu").nth(1).waitFor()
  assert.equal(await phonesOf("Petru Albu").count(), 2)
  await revoke(phonesOf("Petru Albu").nth(1), "people-revoke")
  assert.equal(await phonesOf("Petru Albu").count(), 1)
  await closeSheet(maeve)
  await note(petru, "East race", "Still in")
  await petru.synced()
  assert.deepEqual(petru.errors, [])
})

test("a phone that is revoked while offline brings two entries, which a manager accepts for all", { timeout: 180_000 }, async () => {
  await petru.setOffline(true)
  await note(petru, "East race", "Far out, one")
  await note(petru, "East race", "Far out, two")
  const two = (await petru.outbox()).map((p) => p.raw)
  assert.equal(two.length, 2)

  await openAccess()
  await choose("Phones")
  await revoke(phonesOf("Petru Albu"))
  await lookAt(maeve, "people-phones")
  await closeSheet(maeve)

  await petru.setOffline(false)
  await until("both are handed over", async () => (await petru.outbox()).filter((p) => p.code === "ended").length === 2, 60_000)
  await petru.page.getByRole("banner").getByText("access ended").waitFor()
  for (const raw of two) assert.ok(!(await maeve.entries()).includes(raw))

  await maeve.page.getByRole("button", { name: "Decide what was refused" }).click()
  const signIn = maeve.page.getByRole("dialog", { name: "Sign in as manager" })
  const desk = maeve.page.getByRole("dialog", { name: "Refused entries" })
  await signIn.or(desk).first().waitFor()
  if (await signIn.isVisible()) await maeve.signIn()
  for (const words of ["Far out, one", "Far out, two"]) {
    const item = desk.getByRole("listitem").filter({ hasText: words })
    await item.getByText("The access of the phone had ended before this reached the server").waitFor()
    await item.getByRole("button", { name: /^Accept/ }).click()
    await item.waitFor({ state: "detached" })
  }
  await closeSheet(maeve)
  for (const phone of [maeve, yard, fitter]) for (const raw of two) await has(phone, raw)
  for (const phone of [maeve, petru, yard, fitter]) assert.deepEqual(phone.errors, [])
})

test("on an iPhone the app is installed first, and the invitation is not spent by that", { timeout: 120_000 }, async () => {
  apple = new Phone(farm, "Jon Brandt")
  await apple.start()
  const cdp = await apple.page.context().newCDPSession(apple.page)
  await cdp.send("Emulation.setUserAgentOverride", { userAgent: "Mozilla/5.0 (iPhone; CPU iPhone OS 18_5 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/18.5 Mobile/15E148 Safari/604.1" })
  await apple.page.goto("about:blank")
  await apple.page.goto(farm.links.get("Jon Brandt"))
  await apple.page.getByText("Choose “Add to Home Screen”.").waitFor()
  const code = (await apple.page.locator(".code").textContent()).replaceAll(/\s/g, "")
  assert.equal(code, farm.links.get("Jon Brandt").split("#")[1])
  assert.equal(await apple.page.getByRole("button", { name: "Join", exact: true }).count(), 0)
  await lookAt(apple, "people-install")

  // From the home screen there is the form at once, and the code still opens.
  await apple.page.addInitScript(() => Object.defineProperty(navigator, "standalone", { value: true }))
  await apple.page.goto("about:blank")
  await apple.page.goto(farm.origin)
  await apple.page.getByLabel("Code of the invitation").fill(code)
  await apple.page.getByRole("button", { name: "Look at the invitation" }).click()
  await apple.page.getByRole("button", { name: "Join", exact: true }).click()
  await apple.page.getByRole("heading", { name: "Round today" }).waitFor()
  assert.deepEqual(apple.errors, [])
})
