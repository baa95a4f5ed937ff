import { navigation } from "./navigation.svelte"
import type { Doing } from "../logbook/entry"
import type { EntryId } from "../logbook/ids"
import { say } from "../wording/say"
import { session } from "../session/session.svelte"

/** Records, says so with a way back, and says as plainly when it could not be saved. */
export async function doNow(doings: readonly Doing[], text: string, undoable = true): Promise<boolean> {
  try {
    const ids = await session.record(doings)
    navigation.tell(text, undoable ? ids : undefined)
    return true
  } catch (problem) {
    navigation.tell(say("not.saved", { what: problem instanceof Error ? problem.message : String(problem) }))
    return false
  }
}

/** Takes back what was just recorded: the entries stay, a withdrawal stands beside each. */
export async function undo(ids: readonly EntryId[]): Promise<void> {
  await doNow(
    ids.map((of): Doing => ({ kind: "void", of })),
    say("undone"),
    false,
  )
}
