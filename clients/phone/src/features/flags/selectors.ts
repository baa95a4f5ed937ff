import type { Check, Plan } from "../../logbook/plan"
import type { Flag, RulesOutput, Severity } from "../../rules/output"

const order: Readonly<Record<Severity, number>> = { act: 0, watch: 1, know: 2 }

/** Open flags, the most pressing first; dismissed ones last. */
export function openFlags(rules: RulesOutput): readonly Flag[] {
  const weight = (f: Flag): number => (f.dismissed === undefined ? order[f.severity] : 3)
  return rules.flags.filter((f) => f.cleared === undefined).sort((a, b) => weight(a) - weight(b) || b.raised - a.raised || (a.subject < b.subject ? -1 : 1))
}

/** Open flags that stand alone, each with those that have the same cause. */
export function groupedFlags(rules: RulesOutput): readonly { readonly head: Flag; readonly under: readonly Flag[] }[] {
  const open = openFlags(rules)
  const subjects = new Set(open.map((f) => f.subject))
  const topOf = (f: Flag): string => {
    const above = f.under === undefined ? undefined : open.find((h) => h.subject === f.under)
    return above === undefined ? f.subject : topOf(above)
  }
  const heads = open.filter((f) => f.under === undefined || !subjects.has(f.under))
  return heads.map((head) => ({ head, under: open.filter((f) => f !== head && f.under !== undefined && topOf(f) === head.subject) }))
}

export const clearedFlags = (rules: RulesOutput): readonly Flag[] => rules.flags.filter((f) => f.cleared !== undefined).sort((a, b) => (b.cleared ?? 0) - (a.cleared ?? 0))

export const flagsThatCount = (rules: RulesOutput | undefined): number => (rules === undefined ? 0 : groupedFlags(rules).filter(({ head }) => head.dismissed === undefined && head.severity !== "know").length)

export type NextStep =
  | { readonly is: "measure" | "look" | "do"; readonly check: Check }
  | { readonly is: "automatic"; readonly gate: NonNullable<Flag["gate"]> }
  | { readonly is: "fixed"; readonly of: string }
  | undefined

/** What to do about a flag, where one thing plainly follows from it. */
export function nextStep(flag: Flag, plan: Plan): NextStep {
  const check = flag.check === undefined ? undefined : plan.checks.get(flag.check)
  switch (flag.rule) {
    case "overdue":
      return check && { is: "do", check }
    case "limit":
    case "near":
    case "disagree":
    case "doubt":
    case "drift":
    case "shift":
      return check && { is: "measure", check }
    case "bad":
      return check && { is: "look", check }
    case "manual":
      return flag.gate === undefined ? undefined : { is: "automatic", gate: flag.gate }
    case "fault":
      return { is: "fixed", of: flag.subject.slice("fault/".length) }
    default:
      return undefined
  }
}
