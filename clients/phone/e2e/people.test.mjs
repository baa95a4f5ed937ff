// People come to a site and leave it, and share phones: by links and typed codes,
// by a manager's hand.
import assert from "node:assert/strict"
import { after, before, test } from "node:test"
import decodeQR from "qr/decode.js"
import { closeAll, Farm, until } from "./farm.mjs"
import { closeSheet, lookAt, note, tab } from "./hands.mjs"
import { Phone } from "./phone.mjs"

let farm, maeve, fitter, ana
before(async () => {
  farm = await Farm.open()
})
after(async () => {
  await closeAll(maeve, fitter, ana)
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
  await card("Ferdia Roche").getByText("Only: East race").waitFor({ timeout: 5_000 }).catch(async () => {
    await closeSheet(maeve)
    await openAccess()
    await card("Ferdia Roche").getByText("Only: East race").waitFor()
  })
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

  // Her access ends: asked once, and at once on her phone.
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
