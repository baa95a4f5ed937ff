export const site: { readonly id: string; readonly slug: string; readonly name: string; readonly zone: string }
export function demoPlan(now: number): Record<string, Record<string, unknown>>
export function demoEntries(now: number): { readonly id: string; readonly ms: number; readonly raw: string }[]
export function entryAt(ms: number, fields: Readonly<Record<string, unknown>>): { readonly id: string; readonly ms: number; readonly raw: string }
