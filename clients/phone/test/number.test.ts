import { describe, expect, it } from "vitest"
import { parseNumber } from "../src/wording/number"

describe("numbers as people type them", () => {
  it.each([
    ["7", 7],
    ["7.2", 7.2],
    ["7,2", 7.2],
    [" 6,05 ", 6.05],
    [".5", 0.5],
    [",5", 0.5],
    ["5.", 5],
    ["-3", -3],
    ["-,5", -0.5],
    ["−15", -15],
    ["0", 0],
    ["-0", 0],
    ["007", 7],
    ["0.000001", 0.000001],
    ["1.2000000", 1.2],
    ["1000000000", 1e9],
  ])("reads %j as %d", (text, value) => {
    const parsed = parseNumber(text)
    expect(parsed).toEqual({ is: "number", value })
    if (parsed.is === "number") expect(Object.is(parsed.value, -0)).toBe(false)
  })
  it.each([
    ["", "empty"],
    ["  ", "empty"],
    ["-", "empty"],
    [".", "not"],
    ["1.000,5", "separators"],
    ["1,000,000", "separators"],
    ["7..2", "separators"],
    ["7a", "not"],
    ["1e3", "not"],
    ["--7", "not"],
    ["7-", "not"],
    ["٧", "not"],
    ["1000000001", "large"],
    ["0.0000001", "fine"],
  ])("turns %j away as %s", (text, why) => {
    expect(parseNumber(text)).toEqual({ is: "wrong", why })
  })
})
