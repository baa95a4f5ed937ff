// Pictures of the screens against the stand-in server: node dev/shots.mjs [folder]
import { mkdirSync } from "node:fs"
import { chromium } from "playwright-core"
import { startServer } from "./server.mjs"

const out = process.argv[2] ?? "shots"
mkdirSync(out, { recursive: true })
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
})
const problems = []
try {
  for (const [label, viewport, scheme] of [["light", { width: 360, height: 640 }, "light"], ["dark", { width: 360, height: 640 }, "dark"], ["wide", { width: 1280, height: 800 }, "light"]]) {
    const server = await startServer({})
    const context = await browser.newContext({ viewport, colorScheme: scheme, locale: "en-IE", timezoneId: "Europe/Dublin" })
    const page = await context.newPage()
    page.on("console", (m) => { if (m.type() === "error" || m.type() === "warning") problems.push(`${label}: ${m.text()}`) })
    page.on("pageerror", (e) => problems.push(`${label}: ${e.message}`))
    const shot = (name, full = false) => page.screenshot({ path: `${out}/${label}-${name}.png`, fullPage: full })
    await page.goto(`http://127.0.0.1:${server.port}/join#M123456789ABCDEFGHJK`)
    await page.getByLabel("Your name").fill("Maeve Tully")
    await shot("join")
    await page.getByRole("button", { name: "Join", exact: true }).click()
    await page.getByRole("heading", { name: "East race" }).waitFor()
    await page.getByRole("button", { name: /^Done:/ }).first().waitFor()
    await page.waitForFunction(() => window.__gatewright.link() === "online")
    await shot("round")
    await shot("round-full", true)
    await page.getByRole("button", { name: /^Done: Wipe photocell lenses/ }).first().click()
    await page.getByRole("button", { name: "Undo" }).waitFor()
    await shot("round-ticked")
    await page.getByRole("button", { name: /^Enter: Supply pressure/ }).first().click()
    await page.getByRole("button", { name: "7", exact: true }).click()
    await shot("number")
    await page.getByRole("button", { name: "Close" }).click()
    await page.getByRole("button", { name: "More for East race" }).click()
    await shot("gate")
    await page.getByRole("button", { name: "Report a fault" }).click()
    await shot("fault")
    await page.getByRole("button", { name: "Close" }).click()
    await page.getByRole("button", { name: "Flags" }).click()
    await shot("flags", true)
    await page.getByRole("button", { name: "Log" }).click()
    await shot("log")
    await page.getByRole("button", { name: "More", exact: true }).click()
    await shot("more", true)
    await page.getByRole("button", { name: "Emergency: animal or person trapped" }).click()
    await shot("emergency")
    await page.getByRole("button", { name: "Close" }).click()
    await page.getByRole("button", { name: "Cautions 1–13" }).click()
    await shot("cautions")
    await context.close()
    await server.close()
  }
} catch (e) {
  problems.push(String(e))
} finally {
  await browser.close()
}
for (const p of new Set(problems)) console.log(p)
