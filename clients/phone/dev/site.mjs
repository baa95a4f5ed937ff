// One invented site: its people, its plan and a few weeks of history.
import { readFileSync } from "node:fs"
import * as A from "@automerge/automerge"

export const site = { id: "6f9619ff-8b86-4d01-b42d-00cf4fc964ff", slug: "brook", name: "Sallow Brook", zone: "Europe/Dublin" }
export const people = [
  { id: "pmaeve0001", name: "Maeve Tully", role: "manager", from: 0 },
  { id: "pdan000001", name: "Dan Foley", role: "crew", from: 0 },
  { id: "prena00001", name: "Irena Kos", role: "crew", from: 0 },
]
const templates = JSON.parse(readFileSync(new URL("../../../api/starter/checks.json", import.meta.url), "utf8"))

const canonical = (v) => (v === null || typeof v !== "object" ? JSON.stringify(v) : Array.isArray(v) ? `[${v.map(canonical).join(",")}]` : `{${Object.keys(v).sort().map((k) => `${JSON.stringify(k)}:${canonical(v[k])}`).join(",")}}`)
const text = (t) => new A.ImmutableString(t)
const packed = (v) => text(canonical(v))
const day = 86_400_000

const gates = [
  {
    id: "e", name: "East race", drive: "air",
    indicators: [
      { id: "tag", name: "Small lamp by the reader", states: [{ id: "wink", name: "winks once an animal", means: "the tag was read", ok: true }, { id: "dark", name: "stays dark", means: "no tag was read", ok: false }] },
      { id: "air", name: "Flag on the valve block", states: [{ id: "up", name: "up", means: "air is on the valves", ok: true }, { id: "down", name: "down", means: "no air on the valves", ok: false }] },
    ],
    parts: [["entrance", "Entrance gate", 0, 0], ["photocell", "Beam 1", 0.8, 0.5], ["reader", "Reader", 1.5, -0.5], ["photocell", "Beam 2", 2.8, 0.5], ["leaf", "Sorting leaf", 3.9, 0], ["hinge", "Leaf hinge and latch", 4.6, 0], ["ram", "Leaf ram", 4.2, 0.6], ["controller", "Control box", 2.2, -0.7], ["regulator", "Regulator", 5.2, 0.6], ["water-trap", "Water trap", 5.4, -0.5], ["pen", "Exit pens", 6.4, 0], ["floor", "Floor", 3.2, 0], ["tank", "Air receiver", 6.2, -0.6], ["stop", "Stop button", 0.3, -0.6]],
  },
  {
    id: "y", name: "Yard gate", drive: "electric",
    indicators: [{ id: "run", name: "Lamp on the box", states: [{ id: "on", name: "lit", means: "ready", ok: true }, { id: "off", name: "dark", means: "no power", ok: false }] }],
    parts: [["photocell", "Beam 1", 0.5, 0.5], ["reader", "Reader", 1.2, -0.5], ["leaf", "Leaf", 3, 0], ["controller", "Control box", 2, -0.6], ["floor", "Floor", 2.4, 0]],
  },
]

export function demoPlan(now) {
  const since = now - 60 * day
  const plan = { site: {}, gates: {}, parts: {}, checks: {}, rounds: {} }
  plan.site = {
    id: text(site.id), name: text(site.name), zone: text(site.zone), tzv: text("2026a"), tz: new Uint8Array(readFileSync("/usr/share/zoneinfo/Europe/Dublin")),
    milkings: packed([{ from: 0, milkings: [{ id: "am", name: "morning milking", start: "05:30", end: "08:30" }, { id: "pm", name: "evening milking", start: "15:30", end: "18:30" }] }]),
  }
  gates.forEach((g, n) => {
    plan.gates[g.id] = { name: text(g.name), order: n, drive: text(g.drive), indicators: packed(g.indicators), since }
    const first = {}
    g.parts.forEach(([type, name, x, y], i) => {
      const id = `${g.id}-${String.fromCharCode(97 + i)}`
      first[type] ??= id
      plan.parts[id] = { gate: text(g.id), type: text(type), name: text(name), pos: packed({ x, y }), order: i, since }
    })
    const round = []
    for (const t of templates) {
      if (first[t.part] === undefined) continue
      const id = `${g.id}-${t.no}`
      plan.checks[id] = {
        gate: text(g.id), part: text(first[t.part]), name: text(t.name), kind: text(t.kind), cadence: packed([{ from: since, ...t.cadence }]),
        ...(t.limits && { limits: packed([{ from: since, ...t.limits }]) }), minutes: t.minutes, how: text(t.how), cautions: packed(t.cautions), source: text(t.source), order: t.no, since,
      }
      if (t.cadence.every === "milking") round.push(id)
    }
    const lamp = `${g.id}-90`
    plan.checks[lamp] = { gate: text(g.id), part: text(first.controller), name: text("Indicators show what they should"), kind: text("indicator"), cadence: packed([{ from: since, every: "day", n: 1, mode: "fixed", grace: 120, by: "20:00" }]), minutes: 1, how: text("Look at each indicator while one animal passes."), cautions: packed([7]), source: text("c"), order: 90, since }
    plan.rounds[`${g.id}-am`] = { name: text(`${g.name}, before morning milking`), milking: text("am"), checks: packed(round), order: n * 10, since }
  })
  return plan
}

const crockford = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
let made = 0
export function entryAt(ms, fields) {
  let time = ""
  for (let rest = ms, i = 0; i < 10; i++) {
    time = crockford[rest % 32] + time
    rest = Math.floor(rest / 32)
  }
  let tail = ""
  for (let rest = ++made, i = 0; i < 16; i++) {
    tail = crockford[rest % 32] + tail
    rest = Math.floor(rest / 32)
  }
  const id = time + tail
  return { id, ms, raw: canonical({ v: 1, id, at: ms, by: "pdan000001", dev: "d000000000", ...fields }) }
}

export function demoEntries(now) {
  made = 0
  const list = []
  const midnight = Math.floor(now / day) * day
  for (let back = 24; back >= 1; back--) {
    const morning = midnight - back * day + 5.2 * 3_600_000
    const by = back % 3 === 0 ? "prena00001" : "pdan000001"
    for (const g of ["e", "y"]) {
      for (const no of [1, 2, 5, 6, 7, 8]) if ((back * 7 + no) % 9 !== 0 && !(g === "y" && [6].includes(no))) list.push(entryAt(morning + no * 60_000, { kind: "tick", gate: g, check: `${g}-${no}`, by }))
      list.push(entryAt(morning + 4_000, { kind: "mode", gate: g, check: `${g}-4`, mode: "automatic", by }))
      list.push(entryAt(morning + 11 * 3_600_000, { kind: "mode", gate: g, check: `${g}-4`, mode: "automatic", by }))
    }
    list.push(entryAt(morning + 900_000, { kind: "reading", gate: "e", check: "e-10", value: Math.round((7.1 - (24 - back) * 0.03) * 10) / 10, unit: "bar", by }))
  }
  for (const no of [3, 9, 13, 29]) for (const g of ["e", "y"]) if (!(g === "y" && no === 13)) list.push(entryAt(midnight - 9 * day + 6 * 3_600_000 + no, no === 9 ? { kind: "reading", gate: g, check: `${g}-9`, value: 98.4, unit: "%" } : { kind: "tick", gate: g, check: `${g}-${no}` }))
  list.push(entryAt(now - 5 * 3_600_000, { kind: "reading", gate: "e", check: "e-10", value: 5.6, unit: "bar", by: "pdan000001" }))
  list.push(entryAt(now - 4.8 * 3_600_000, { kind: "reading", gate: "e", check: "e-10", value: 6.3, unit: "bar", by: "prena00001" }))
  list.push(entryAt(now - 3 * 3_600_000, { kind: "tick", gate: "y", check: "y-1", bad: true, text: "lens scratched", by: "prena00001" }))
  list.push(entryAt(now - 2 * 3_600_000, { kind: "mode", gate: "e", mode: "manual", by: "pdan000001" }))
  list.push(entryAt(now - 26 * 3_600_000, { kind: "fault", gate: "y", seen: "slow", text: "leaf takes its time in the cold", by: "pdan000001" }))
  return list
}
