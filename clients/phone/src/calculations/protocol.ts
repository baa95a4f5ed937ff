import type { Said } from "./module"

// What the page and the worker of the calculations say to one another. Each
// question has a turn, and its answer the same.

export type ToCalculations =
  | { readonly type: "start"; readonly url: string; readonly turn: number }
  | { readonly type: "run"; readonly name: string; readonly json: string; readonly turn: number }

export type FromCalculations =
  | { readonly type: "list"; readonly json: string; readonly turn: number }
  | { readonly type: "said"; readonly said: Said; readonly turn: number }
  | { readonly type: "failed"; readonly what: string; readonly turn: number }
