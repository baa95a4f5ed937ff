/** A browser as far as it matters for installing. */
export interface Browser {
  readonly agent: string
  readonly touchPoints: number
  /** It runs from the home screen already. */
  readonly standalone: boolean
}

/**
 * On iPhones and iPads a page and the app on the home screen do not share their
 * storage, and what a page keeps may go after a week without use: the app is
 * installed first and joined there. An iPad says that it is a Mac, which has no touch.
 */
export const installFirst = ({ agent, touchPoints, standalone }: Browser): boolean => !standalone && (/iPhone|iPad|iPod/.test(agent) || (/Macintosh/.test(agent) && touchPoints > 1))

export const thisBrowser = (): Browser => ({
  agent: navigator.userAgent,
  touchPoints: navigator.maxTouchPoints,
  standalone: matchMedia("(display-mode: standalone)").matches || (navigator as { standalone?: boolean }).standalone === true,
})

/** A code in groups that eyes and tongue take in one go. */
export const inGroups = (code: string): readonly string[] => code.match(code.length > 8 ? /.{1,5}/g : /.{1,4}/g) ?? []
