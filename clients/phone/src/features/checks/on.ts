import type { CheckId, GateId, PartId } from "../../logbook/ids"
import type { Check } from "../../logbook/plan"

/** What every entry about a check names. */
export function on(check: Check): { readonly check: CheckId; readonly gate: GateId; readonly part?: PartId } {
  return { check: check.id, gate: check.gate, ...(check.part !== undefined && { part: check.part }) }
}
