import type { PartId } from "../../logbook/ids"
import type { Plan } from "../../logbook/plan"
import type { GateSection, RowState } from "./selectors"

export interface PartMark {
  readonly id: PartId
  readonly x: number
  readonly y: number
  readonly shape: "beam" | "leaf" | "entrance" | "ram" | "reader" | "none"
  readonly state: RowState | "quiet"
}
export interface Drawing {
  readonly from: number
  readonly height: number
  readonly top: number
  readonly middle: number
  readonly bottom: number
  readonly parts: readonly PartMark[]
}

const shapes: Readonly<Record<string, PartMark["shape"]>> = {
  photocell: "beam",
  emitter: "beam",
  leaf: "leaf",
  "leaf-left": "leaf",
  "leaf-right": "leaf",
  entrance: "entrance",
  ram: "ram",
  reader: "reader",
}

// The most pressing state of a part's checks is the part's state.
const pressing: readonly RowState[] = ["overdue", "recheck", "late", "due", "parked", "done", "open"]

const width = 328
const margin = 44
const [top, bottom] = [46, 86]
const clearance = 21

/**
 * The gate from above from the parts' own places. Marks that would touch are
 * moved apart, up or down, so that each stays readable on a small screen.
 */
export function drawingOf(section: GateSection, plan: Plan): Drawing | undefined {
  const parts = [...plan.parts.values()].filter((p) => p.gate === section.gate.id && p.retired === undefined && p.at !== undefined)
  if (parts.length < 2) return undefined
  const states = new Map<PartId, RowState>()
  for (const row of [...section.todo, ...section.done, ...section.later]) {
    const id = row.check.part
    if (id === undefined) continue
    const before = states.get(id)
    if (before === undefined || pressing.indexOf(row.state) < pressing.indexOf(before)) states.set(id, row.state)
  }
  const xs = parts.map((p) => p.at?.x ?? 0)
  const [least, most] = [Math.min(...xs), Math.max(...xs)]
  const scale = (width - 2 * margin) / Math.max(most - least, 0.1)
  const placed: PartMark[] = []
  for (const part of parts.sort((a, b) => (a.at?.x ?? 0) - (b.at?.x ?? 0) || a.order - b.order)) {
    const x = Math.round(margin + ((part.at?.x ?? 0) - least) * scale)
    const side = (part.at?.y ?? 0) > 0 ? 1 : (part.at?.y ?? 0) < 0 ? -1 : 0
    const wanted = side === 0 ? (top + bottom) / 2 : side > 0 ? top - 12 : bottom + 12
    const rows = [wanted, ...[34, 12, 66, 98, 120].sort((a, b) => Math.abs(a - wanted) - Math.abs(b - wanted))]
    const free = (at: number): boolean => placed.every((p) => Math.abs(p.x - x) >= clearance || Math.abs(p.y - at) >= clearance)
    placed.push({ id: part.id, x, y: rows.find(free) ?? wanted, shape: shapes[part.type] ?? "none", state: states.get(part.id) ?? "quiet" })
  }
  const ys = [top, bottom, ...placed.map((p) => p.y)]
  const from = Math.min(...ys) - 14
  return { from, height: Math.max(...ys) + 14 - from, top, middle: (top + bottom) / 2, bottom, parts: placed }
}
