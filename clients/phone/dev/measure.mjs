// Measures the screens against the stand-in server: axe on every screen and
// sheet in both themes, sizes of what is tapped, sideways scroll at 200 % text,
// and times at 4x throttle. node dev/measure.mjs
import { readFileSync } from "node:fs"
import { chromium } from "playwright-core"
import { startServer } from "./server.mjs"

const axe = readFileSync(new URL("../node_modules/axe-core/axe.min.js", import.meta.url), "utf8")
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
})
let wrong = 0
const complain = (text) => {
  wrong++
  console.log(text)
}

async function judge(page, screen) {
  await page.evaluate(axe)
  const { violations } = await page.evaluate(() =>
    window.axe.run(document, {
      runOnly: { type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"] },
      rules: { "color-contrast-enhanced": { enabled: true }, "target-size": { enabled: true } },
    }),
  )
  for (const v of violations) complain(`${screen}: ${v.id}: ${v.nodes.slice(0, 3).map((n) => `${n.target.join(" ")} ${(n.any[0] ?? n.all[0] ?? n.none[0])?.message ?? ""}`).join(" | ")}`)
  const sizes = await page.evaluate(() => {
    const scope = document.querySelector("dialog[open]") ?? document
    return [...scope.querySelectorAll("button, a, input, textarea, summary")]
      .map((e) => ({ text: e.getAttribute("aria-label") ?? e.textContent.trim().slice(0, 40), box: e.getBoundingClientRect(), pad: e.closest(".pad") !== null }))
      .filter(({ box }) => box.width > 0)
      .filter(({ box, pad }) => (pad ? box.width < 96 || box.height < 80 : box.width < 47.9 || box.height < 47.9))
      .map(({ text, box }) => `${text} ${Math.round(box.width)}x${Math.round(box.height)}`)
  })
  for (const s of sizes) complain(`${screen}: too small to tap: ${s}`)
  const small = await page.evaluate(() => [...document.querySelectorAll("p, span, li, button, h1, h2, h3")].filter((e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim() !== "") && e.getBoundingClientRect().width > 1 && parseFloat(getComputedStyle(e).fontSize) < 18).map((e) => e.textContent.slice(0, 30)))
  for (const s of new Set(small)) complain(`${screen}: text below 18 px: ${s}`)
}

async function join(page, server) {
  await page.goto(`http://127.0.0.1:${server.port}/join#M123456789ABCDEFGHJK`)
  await page.getByLabel("Your name").waitFor()
  await judge(page, "join")
  await page.getByRole("button", { name: "Join", exact: true }).click()
  await page.getByRole("button", { name: /^(Done|Enter):/ }).first().waitFor()
  await page.waitForFunction(() => window.__gatewright.link() === "online")
}

for (const scheme of process.argv.includes("--times") ? [] : ["light", "dark"]) {
  const server = await startServer({})
  const context = await browser.newContext({ viewport: { width: 360, height: 640 }, colorScheme: scheme, locale: "en-IE" })
  const page = await context.newPage()
  await join(page, server)
  const sheet = async (name, open) => {
    await open()
    await page.locator("dialog[open]").waitFor()
    await judge(page, `${scheme} ${name}`)
    await page.getByRole("button", { name: "Close" }).click()
    await page.locator("dialog[open]").waitFor({ state: "detached" })
  }
  const button = (name) => page.getByRole("button", { name }).first()
  await judge(page, `${scheme} round`)
  await sheet("number", () => button(/^Enter: Supply pressure/).click())
  await sheet("isolate", () => button(/^Make safe, then do/).click())
  await sheet("mode", () => button(/^Enter: Mode is automatic/).click())
  await sheet("count", () => button(/^Enter: Test tag/).click())
  await sheet("indicator", () => button(/^Enter: Indicators/).click())
  await sheet("look", () => button(/^Sort list/).click())
  await sheet("bad", () => button(/^Found not right/).click())
  await sheet("gate", () => button("More for East race").click())
  await sheet("people", () => button(/records now/).click())
  await sheet("emergency", () => button(/^Emergency/).click())
  await button(/^Done:/).click()
  await page.getByRole("button", { name: "Undo" }).waitFor()
  await judge(page, `${scheme} notice`)
  for (const tab of ["Flags", "Log", "More"]) {
    await page.getByRole("navigation").getByRole("button", { name: new RegExp(`^${tab}`) }).click()
    await page.getByRole("heading", { name: tab, exact: true }).waitFor()
    await judge(page, `${scheme} ${tab}`)
    if (tab === "Flags") await sheet("dismiss", () => button("Dismiss").click())
    if (tab === "Log") await sheet("void", () => button(/^Withdraw:/).click())
    if (tab === "More") {
      await sheet("cautions", () => button("Cautions 1–13").click())
      await sheet("calculations", async () => {
        await button("Calculate").click()
        await page.getByRole("heading", { name: "Compressed air" }).waitFor()
      })
      await sheet("calculation", async () => {
        await button("Calculate").click()
        await button(/^Whether a photocell/).click()
        await page.getByRole("dialog").getByRole("button", { name: "Calculate", exact: true }).click()
        await page.getByRole("alert").waitFor()
      })
    }
  }
  // Twice the text: nothing may run off sideways.
  await page.evaluate(() => (document.documentElement.style.fontSize = "200%"))
  for (const tab of ["Round", "Flags", "Log", "More"]) {
    await page.getByRole("navigation").getByRole("button", { name: new RegExp(`^${tab}`) }).click()
    const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth)
    if (over > 0) complain(`${scheme} ${tab} at 200 %: ${over} px too wide`)
  }
  await context.close()
  await server.close()
}

{
  const server = await startServer({})
  const context = await browser.newContext({ viewport: { width: 360, height: 640 }, locale: "en-IE" })
  const page = await context.newPage()
  await join(page, server)
  await page.evaluate(() => navigator.serviceWorker.ready.then(() => undefined))
  const session = await context.newCDPSession(page)
  await session.send("Emulation.setCPUThrottlingRate", { rate: 4 })
  await context.setOffline(true)
  const starts = []
  for (let i = 0; i < 5; i++) {
    await page.evaluate(() => sessionStorage.clear())
    await page.reload({ waitUntil: "commit" })
    starts.push(
      await page.evaluate(
        () =>
          new Promise((resolve) => {
            const look = () => (document.querySelector(".acts button") ? resolve(Math.round(performance.now())) : requestAnimationFrame(look))
            look()
          }),
      ),
    )
  }
  console.log(`offline start to the list at 4x, ms: ${starts.join(" ")}`)
  const taps = []
  for (let i = 0; i < 4; i++) {
    taps.push(
      await page.evaluate(
        () =>
          new Promise((resolve) => {
            const button = document.querySelector('button[aria-label^="Done:"]')
            const before = document.querySelector('[role="status"] .notice p')?.textContent
            const start = performance.now()
            button.click()
            const look = () => {
              const now = document.querySelector(".notice p")?.textContent
              if (now !== undefined && now !== before) resolve(Math.round(performance.now() - start))
              else requestAnimationFrame(look)
            }
            look()
          }),
      ),
    )
  }
  console.log(`tap to "done, saved on disk" at 4x, ms: ${taps.join(" ")}`)
  await context.close()
  await server.close()
}
await browser.close()
console.log(wrong === 0 ? "nothing to complain about" : `${wrong} complaints`)
process.exitCode = wrong === 0 ? 0 : 1
