import type { CheckId } from "../../logbook/ids"
import type { Check, Gate, Plan } from "../../logbook/plan"
import type { Due, RulesOutput } from "../../rules/output"

export type RowState = Due["state"] | "recheck"

/** One check of the round, with what the rules say of it. */
export interface Row {
  readonly check: Check
  readonly due: Due
  readonly state: RowState
}
export interface GateSection {
  readonly gate: Gate
  readonly parked: boolean
  readonly todo: readonly Row[]
  readonly done: readonly Row[]
  readonly later: readonly Row[]
  /** Cautions of what is to do, each once. */
  readonly cautions: readonly number[]
  /** What is only looked at on a round: what one tap may tick together. */
  readonly usual: readonly CheckId[]
}

const longDue: ReadonlySet<RowState> = new Set(["overdue", "recheck", "late"])

/** The caution that says: hands go inside, isolate first. */
export const needsIsolation = (check: Check): boolean => check.cautions.includes(2)

/**
 * The round gate by gate: what is long due first, then the walking order. A
 * check that is due for two reasons stands once, by the more pressing one.
 */
export function roundOf(plan: Plan, rules: RulesOutput): readonly GateSection[] {
  const rows = new Map<CheckId, Row>()
  for (const due of rules.due) {
    const check = plan.checks.get(due.check)
    if (check === undefined) continue
    const state: RowState = due.why === "recheck" ? "recheck" : due.state
    const other = rows.get(due.check)
    if (other === undefined || due.why === "recheck") rows.set(due.check, { check, due, state })
  }
  const walked = new Set(plan.rounds.flatMap((round) => round.checks))
  const walk = (row: Row): number => plan.walk.get(row.check.id) ?? Number.MAX_SAFE_INTEGER
  const inOrder = (list: Row[]): Row[] => list.sort((a, b) => walk(a) - walk(b))
  return plan.gates
    .filter((gate) => gate.retired === undefined || gate.retired > rules.now)
    .map((gate): GateSection => {
      const own = [...rows.values()].filter((row) => row.due.gate === gate.id)
      const todo = inOrder(own.filter((r) => r.state === "due" || longDue.has(r.state)))
      const first = todo.filter((r) => longDue.has(r.state))
      const ordered = [...first, ...todo.filter((r) => !longDue.has(r.state))]
      return {
        gate,
        parked: own.some((r) => r.state === "parked"),
        todo: ordered,
        done: inOrder(own.filter((r) => r.state === "done")),
        later: inOrder(own.filter((r) => r.state === "open")),
        cautions: [...new Set(ordered.flatMap((r) => r.check.cautions))].sort((a, b) => a - b),
        usual: ordered.filter((r) => walked.has(r.check.id) && r.check.kind === "look" && r.state !== "recheck" && !needsIsolation(r.check)).map((r) => r.check.id),
      }
    })
}

