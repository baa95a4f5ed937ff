// A manager signs in on the phone: with a passkey (Chromium's virtual
// authenticator), with a passphrase, and with a recovery code, which opens once.
import assert from "node:assert/strict"
import { after, before, test } from "node:test"
import { closeAll, Farm, until } from "./farm.mjs"
import { Phone } from "./phone.mjs"

let farm, phone
before(async () => {
  farm = await Farm.open()
})
after(async () => {
  await closeAll(phone)
  await closeAll(farm)
})

const sheet = () => phone.page.getByRole("dialog", { name: "Sign in as manager" })
const desk = () => phone.page.getByRole("dialog", { name: "Refused entries" })
const openDesk = async () => {
  await phone.page.getByRole("navigation").getByRole("button", { name: /^More/ }).click()
  await phone.page.getByRole("button", { name: "Decide what was refused" }).click()
}
const again = async () => {
  await phone.page.reload()
  await phone.page.getByRole("heading", { name: "Round today" }).or(phone.page.getByRole("heading", { name: "More" })).first().waitFor()
  await until("online again", async () => (await phone.link()) === "online")
  await openDesk()
}

test("a manager signs in by passkey, passphrase and recovery code", { timeout: 180_000 }, async () => {
  phone = new Phone(farm, "Maeve Tully")
  await phone.start()
  await phone.join()
  await phone.synced()
  const cdp = await phone.page.context().newCDPSession(phone.page)
  await cdp.send("WebAuthn.enable")
  const { authenticatorId } = await cdp.send("WebAuthn.addVirtualAuthenticator", {
    options: { protocol: "ctap2", transport: "internal", hasResidentKey: true, hasUserVerification: true, isUserVerified: true, automaticPresenceSimulation: true },
  })

  // The first time a way in is set, and the codes are shown.
  await openDesk()
  await sheet().getByRole("button", { name: "Set up a passkey" }).click()
  await sheet().getByText("Your recovery codes").waitFor()
  const codes = await sheet().getByRole("listitem").allTextContents()
  assert.equal(codes.length, 10)
  await phone.shot("signin-codes")
  assert.ok(await sheet().getByRole("button", { name: "Go on" }).isDisabled(), "first the codes are kept")
  await sheet().getByLabel("I have kept them").check()
  await sheet().getByRole("button", { name: "Go on" }).click()
  await desk().getByText("Nothing waits for a decision").waitFor()
  assert.equal((await cdp.send("WebAuthn.getCredentials", { authenticatorId })).credentials.length, 1)

  // A reload forgets it: nothing of it is stored.
  await again()
  await sheet().getByRole("button", { name: "Use your passkey" }).waitFor()
  await phone.shot("signin")
  await sheet().getByRole("button", { name: "Use your passkey" }).click()
  await desk().waitFor()

  // A passkey that does not say who touched it is none; the phone says so and stays.
  await cdp.send("WebAuthn.setUserVerified", { authenticatorId, isUserVerified: false })
  await again()
  await sheet().getByRole("button", { name: "Use your passkey" }).click()
  await sheet().getByRole("alert").waitFor()

  // A recovery code opens once.
  await sheet().getByRole("button", { name: "Use a recovery code (10 left)" }).click()
  await sheet().getByLabel("Recovery code").fill(codes[4].toLowerCase())
  await sheet().getByRole("button", { name: "Sign in", exact: true }).click()
  await desk().waitFor()
  await again()
  await sheet().getByRole("button", { name: "Use a recovery code (9 left)" }).click()
  await sheet().getByLabel("Recovery code").fill(codes[4])
  await sheet().getByRole("button", { name: "Sign in", exact: true }).click()
  await sheet().getByRole("alert").filter({ hasText: "does not open it" }).waitFor()
  assert.deepEqual(phone.errors, [])
})
