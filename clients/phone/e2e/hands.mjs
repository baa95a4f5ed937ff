// What people do with a phone in more than one story, and how its screens are
// looked at.
import assert from "node:assert/strict"
import { readFile } from "node:fs/promises"
import { join } from "node:path"
import { fileURLToPath } from "node:url"
import { until } from "./farm.mjs"

const axeFile = join(fileURLToPath(new URL("..", import.meta.url)), "node_modules/axe-core/axe.min.js")

/** One more person on a phone, by an invitation that is typed in. */
export async function alsoJoin(phone, code) {
  await phone.page.goto(`${phone.farm.origin}/join#${code}`)
  const sheet = phone.page.getByRole("dialog")
  await sheet.getByRole("button", { name: "Join", exact: true }).click()
  await sheet.waitFor({ state: "detached" })
}

/** Whoever records from now on. */
export async function switchTo(phone, name) {
  await phone.page.locator("header button.who").click()
  await phone.page.getByRole("dialog").getByRole("listitem").getByRole("button", { name: new RegExp(name) }).click()
  await phone.page.locator("header .person", { hasText: name }).waitFor()
}

export async function note(phone, gate, words) {
  await phone.page.getByRole("button", { name: `More for ${gate}` }).click()
  const sheet = phone.page.getByRole("dialog")
  await sheet.getByRole("button", { name: "Write a note" }).click()
  await sheet.getByLabel("The note").fill(words)
  await sheet.getByRole("button", { name: "Save the note" }).click()
  await sheet.waitFor({ state: "detached" })
  await until(`"${words}" is saved`, async () => (await phone.entries()).some((raw) => raw.includes(words)))
}

export const tab = (phone, name) => phone.page.getByRole("navigation").getByRole("button", { name: new RegExp(`^${name}`) }).click()
export const closeSheet = async (phone) => {
  await phone.page.getByRole("dialog").getByRole("button", { name: "Close" }).click()
  await phone.page.getByRole("dialog").waitFor({ state: "detached" })
}

/** A picture in both themes, and no complaint of the accessibility checker at AAA contrast. */
export async function lookAt(phone, name) {
  for (const [scheme, theme] of [["light", "light"], ["dark", "dark"]]) {
    await phone.page.emulateMedia({ colorScheme: scheme })
    await phone.page.locator(`:root[data-look="${theme}"]`).waitFor({ state: "attached" })
    await phone.shot(`${name}-${scheme}`)
    await phone.page.evaluate(await readFile(axeFile, "utf8"))
    const found = await phone.page.evaluate(() => axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa"], rules: { "color-contrast-enhanced": { enabled: true } } }).then((r) => ({
      violations: r.violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.html).join(" ")}`),
      contrast: r.passes.some((p) => p.id === "color-contrast-enhanced"),
    })))
    assert.deepEqual(found, { violations: [], contrast: true }, `${name}, ${scheme}`)
    const small = await phone.page.evaluate(() => [...document.querySelectorAll("dialog button, dialog input, header button, nav button")].map((b) => [b.textContent.trim(), b.getBoundingClientRect()]).filter(([, r]) => r.width > 0 && (r.width < 47.5 || r.height < 47.5)).map(([t, r]) => `${t} ${r.width}x${r.height}`))
    assert.deepEqual(small, [], `targets of ${name} that are too small`)
    for (const size of ["", "200%"]) {
      const wide = await phone.page.evaluate((fontSize) => {
        document.documentElement.style.fontSize = fontSize
        const over = [document.documentElement, ...document.querySelectorAll("dialog")].filter((e) => e.scrollWidth > e.clientWidth).map((e) => `${e.tagName} ${e.scrollWidth} > ${e.clientWidth}`)
        document.documentElement.style.fontSize = ""
        return over
      }, size)
      assert.deepEqual(wide, [], `${name} scrolls sideways at ${size || "100%"} text`)
    }
  }
  await phone.page.emulateMedia({ colorScheme: "light" })
}
