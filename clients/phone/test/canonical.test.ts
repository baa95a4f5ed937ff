import { describe, expect, it } from "vitest"
import { canonical, NotCanonical, type Json } from "../src/logbook/canonical"

// Oracle: RFC 8785, the examples of sections 3.2.2 and 3.2.3 and the numbers
// of Appendix B.

describe("canonical JSON", () => {
  it("writes the example of RFC 8785, 3.2.2", () => {
    const value = {
      numbers: [333333333.33333329, 1e30, 4.5, 2e-3, 0.000000000000000000000000001],
      string: "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\u002f",
      literals: [null, true, false],
    }
    expect(canonical(value)).toBe(
      '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}',
    )
  })

  it("sorts names by UTF-16 code units, as in RFC 8785, 3.2.3", () => {
    const value: Json = { "\u20ac": "Euro Sign", "\r": "Carriage Return", "\ufb33": "Hebrew Letter Dalet With Dagesh", "1": "One", "\ud83d\ude00": "Emoji: Grinning Face", "\u0080": "Control", "\u00f6": "Latin Small Letter O With Diaeresis" }
    const order = [...canonical(value).matchAll(/":"([A-Z][^"]*)"/g)].map((m) => m[1])
    expect(order).toEqual(["Carriage Return", "One", "Control", "Latin Small Letter O With Diaeresis", "Euro Sign", "Emoji: Grinning Face", "Hebrew Letter Dalet With Dagesh"])
  })

  const bits = (hex: string): number => new DataView(Uint8Array.from(hex.match(/../g) ?? [], (h) => parseInt(h, 16)).buffer).getFloat64(0)
  it.each([
    ["0000000000000000", "0"],
    ["8000000000000000", "0"],
    ["0000000000000001", "5e-324"],
    ["8000000000000001", "-5e-324"],
    ["7fefffffffffffff", "1.7976931348623157e+308"],
    ["ffefffffffffffff", "-1.7976931348623157e+308"],
    ["4340000000000000", "9007199254740992"],
    ["c340000000000000", "-9007199254740992"],
    ["4430000000000000", "295147905179352830000"],
    ["44b52d02c7e14af5", "9.999999999999997e+22"],
    ["44b52d02c7e14af6", "1e+23"],
    ["44b52d02c7e14af7", "1.0000000000000001e+23"],
    ["444b1ae4d6e2ef4e", "999999999999999700000"],
    ["444b1ae4d6e2ef4f", "999999999999999900000"],
    ["444b1ae4d6e2ef50", "1e+21"],
    ["3eb0c6f7a0b5ed8c", "9.999999999999997e-7"],
    ["3eb0c6f7a0b5ed8d", "0.000001"],
    ["41b3de4355555553", "333333333.3333332"],
    ["41b3de4355555557", "333333333.33333343"],
    ["becbf647612f3696", "-0.0000033333333333333333"],
    ["43143ff3c1cb0959", "1424953923781206.2"],
  ])("writes the number %s of Appendix B as %s", (hex, text) => {
    expect(canonical(bits(hex))).toBe(text)
  })

  it.each<[string, unknown]>([
    ["a number that is none", NaN],
    ["an endless number", Infinity],
    ["half a pair", "\ud800"],
    ["half a pair in a name", { "\udc00": 1 }],
    ["a member without a value", { a: undefined }],
    ["nothing", undefined],
  ])("refuses %s", (_what, value) => {
    expect(() => canonical(value as Json)).toThrow(NotCanonical)
  })
})
