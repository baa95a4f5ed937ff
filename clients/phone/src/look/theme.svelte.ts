/** Light by day, dark for the night milking: by the phone's setting, or by hand. */
export type Wanted = "auto" | "light" | "dark"

const key = "gatewright look"

function kept(): Wanted {
  try {
    const value = localStorage.getItem(key)
    return value === "light" || value === "dark" ? value : "auto"
  } catch {
    return "auto"
  }
}

class Theme {
  wanted = $state<Wanted>(kept())
  readonly #dark = matchMedia("(prefers-color-scheme: dark)")

  constructor() {
    this.#dark.addEventListener("change", () => this.#show())
    this.#show()
  }

  readonly want = (wanted: Wanted): void => {
    this.wanted = wanted
    try {
      localStorage.setItem(key, wanted)
    } catch {
      // Without local storage the choice lasts until the page closes.
    }
    this.#show()
  }

  #show(): void {
    const dark = this.wanted === "auto" ? this.#dark.matches : this.wanted === "dark"
    document.documentElement.dataset["look"] = dark ? "dark" : "light"
  }
}

export const theme = new Theme()
