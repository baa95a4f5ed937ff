// What the page and the rules worker say to one another.

export type ToRules =
  | { readonly type: "start"; readonly url: string }
  | { readonly type: "reset" }
  | { readonly type: "load"; readonly state: Uint8Array }
  | { readonly type: "save"; readonly before: string; readonly turn: number }
  | { readonly type: "plan-changes"; readonly changes: readonly Uint8Array[]; readonly heads: readonly string[] }
  | { readonly type: "entries"; readonly raws: readonly string[] }
  | { readonly type: "heads"; readonly document: string; readonly heads: readonly string[] }
  | { readonly type: "evaluate"; readonly now: number; readonly turn: number }

export type FromRules =
  | { readonly type: "ready" }
  | { readonly type: "loaded"; readonly ok: boolean }
  | { readonly type: "saved"; readonly state: Uint8Array; readonly turn: number }
  | { readonly type: "plan"; readonly json: string }
  | { readonly type: "output"; readonly json: string; readonly turn: number; readonly took: number }
  | { readonly type: "failed"; readonly what: string; readonly fatal: boolean }
