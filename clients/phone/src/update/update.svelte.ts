import { registerSW } from "virtual:pwa-register"

declare const __VERSION__: string

const idleFor = 60_000
const askEvery = 30 * 60_000

/**
 * New versions of the app. One is applied when nobody has touched the screen
 * for a minute, or at once when asked for; what is stored stays as it is.
 */
class Update {
  ready = $state(false)
  readonly version: string = __VERSION__
  #swap: ((reload?: boolean) => Promise<void>) | undefined
  #touched = Date.now()

  /** busy says that something is open on the screen that a reload would lose. */
  start(busy: () => boolean): void {
    if (!("serviceWorker" in navigator)) return
    this.#swap = registerSW({
      immediate: true,
      onNeedRefresh: () => {
        this.ready = true
      },
      onRegisteredSW: (_url, registration) => {
        if (registration !== undefined) setInterval(() => void registration.update().catch(() => undefined), askEvery)
      },
    })
    for (const event of ["pointerdown", "keydown"]) addEventListener(event, () => (this.#touched = Date.now()), { passive: true })
    setInterval(() => {
      if (this.ready && !busy() && Date.now() - this.#touched > idleFor) this.apply()
    }, 15_000)
  }

  readonly apply = (): void => void this.#swap?.(true)
}

export const update = new Update()
