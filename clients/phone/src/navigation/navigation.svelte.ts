import type { CheckId, EntryId, GateId, PersonId } from "../logbook/ids"

export type Tab = "round" | "flags" | "log" | "more"

/** What lies over the page, if anything. */
export type Sheet =
  | { readonly is: "check"; readonly check: CheckId; readonly step?: "isolate" }
  | { readonly is: "bad"; readonly check: CheckId }
  | { readonly is: "gate"; readonly gate: GateId }
  | { readonly is: "fault"; readonly gate: GateId }
  | { readonly is: "note"; readonly gate: GateId }
  | { readonly is: "dismiss"; readonly flag: string }
  | { readonly is: "void"; readonly entry: EntryId }
  | { readonly is: "turned away" }
  | { readonly is: "to decide" }
  | { readonly is: "people" }
  | { readonly is: "access" }
  | { readonly is: "pin"; readonly person: PersonId }
  | { readonly is: "pin lost"; readonly person: PersonId }
  | { readonly is: "pin set"; readonly person: PersonId }
  | { readonly is: "join"; readonly code?: string }
  | { readonly is: "emergency" }
  | { readonly is: "cautions" }
  | { readonly is: "calculations" }

/** Something just done, which can be taken back for a while. */
export interface Notice {
  readonly text: string
  readonly undo?: readonly EntryId[]
}

const paths: Readonly<Record<Tab, string>> = { round: "/", flags: "/flags", log: "/log", more: "/more" }

const tabAt = (path: string): Tab => (Object.keys(paths) as Tab[]).find((tab) => paths[tab] === path) ?? "round"

/** How long "Undo" stays. Ten seconds at least is what gloved hands were promised. */
const undoStays = 14_000
const textStays = 6_000

/** Where the person is in the app. The phone's back button closes a sheet first. */
class Navigation {
  tab = $state<Tab>(tabAt(location.pathname))
  sheet = $state.raw<Sheet | undefined>()
  notice = $state.raw<Notice | undefined>()
  #timer: ReturnType<typeof setTimeout> | undefined

  constructor() {
    addEventListener("popstate", () => {
      this.tab = tabAt(location.pathname)
      this.sheet = undefined
    })
  }

  readonly go = (tab: Tab): void => {
    if (tab === this.tab) return
    history.pushState(undefined, "", paths[tab])
    this.tab = tab
    scrollTo(0, 0)
  }

  readonly open = (sheet: Sheet): void => {
    if (this.sheet === undefined) history.pushState({ sheet: true }, "")
    this.sheet = sheet
  }

  readonly close = (): void => {
    if (this.sheet === undefined) return
    this.sheet = undefined
    if ((history.state as { sheet?: boolean } | null)?.sheet === true) history.back()
  }

  readonly tell = (text: string, undo?: readonly EntryId[]): void => {
    this.notice = { text, ...(undo !== undefined && { undo }) }
    clearTimeout(this.#timer)
    this.#timer = setTimeout(() => (this.notice = undefined), undo === undefined ? textStays : undoStays)
  }
}

export const navigation = new Navigation()
