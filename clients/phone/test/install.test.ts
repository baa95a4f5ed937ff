import { describe, expect, it } from "vitest"
import { inGroups, installFirst } from "../src/features/join/install"

describe("where the app is installed before anybody joins", () => {
  const iphone = "Mozilla/5.0 (iPhone; CPU iPhone OS 18_5 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/18.5 Mobile/15E148 Safari/604.1"
  const mac = "Mozilla/5.0 (Macintosh; Intel Mac OS X 10_15_7) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/18.5 Safari/605.1.15"
  const android = "Mozilla/5.0 (Linux; Android 10; K) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/140.0.0.0 Mobile Safari/537.36"
  it.each([
    ["an iPhone's browser", iphone, 5, false, true],
    ["the app on an iPhone", iphone, 5, true, false],
    ["an iPad, which says it is a Mac", mac, 5, false, true],
    ["a Mac", mac, 0, false, false],
    ["an Android phone", android, 5, false, false],
  ])("%s", (_, agent, touchPoints, standalone, want) => expect(installFirst({ agent, touchPoints, standalone })).toBe(want))

  it("shows the code in groups", () => {
    expect(inGroups("DH76GJZRC3WB1WBGVAC9")).toEqual(["DH76G", "JZRC3", "WB1WB", "GVAC9"])
    expect(inGroups("0176GJZ1")).toEqual(["0176", "GJZ1"])
  })
})
