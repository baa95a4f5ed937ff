import { ApiProblem, Unreachable } from "../device/api"
import { say } from "../wording/say"

/** What went wrong, in words for the person who asked for it. */
export function troubleText(problem: unknown, offline: string = say("trouble.offline")): string {
  if (problem instanceof Unreachable) return offline
  if (problem instanceof ApiProblem) return problem.detail
  return problem instanceof Error ? problem.message : String(problem)
}
