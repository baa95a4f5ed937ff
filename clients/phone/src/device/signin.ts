import type { Instant, PersonId } from "../logbook/ids"
import type { Api, SignedIn } from "./api"

/** By what a manager can sign in. */
export interface Ways {
  readonly passkeys: number
  readonly passphrase: boolean
  readonly recovery: number
  /** Nothing is set yet: this phone may set the first way in. */
  readonly setup: boolean
}

/** What a browser without the newer functions is helped to. */
interface JsonForms {
  parseCreationOptionsFromJSON?: (options: unknown) => PublicKeyCredentialCreationOptions
  parseRequestOptionsFromJSON?: (options: unknown) => PublicKeyCredentialRequestOptions
}

export const passkeysHere = (): boolean => typeof PublicKeyCredential !== "undefined" && "credentials" in navigator

const forms = (): JsonForms => PublicKeyCredential as unknown as JsonForms

function bytes(text: string): ArrayBuffer {
  const raw = atob(text.replaceAll("-", "+").replaceAll("_", "/"))
  return Uint8Array.from(raw, (c) => c.charCodeAt(0)).buffer
}
const base64url = (buffer: ArrayBuffer | null): string | undefined =>
  buffer === null ? undefined : btoa(String.fromCharCode(...new Uint8Array(buffer))).replaceAll("+", "-").replaceAll("/", "_").replace(/=+$/, "")

type Options = Readonly<Record<string, unknown>>
type Descriptor = Readonly<Record<string, unknown>> & { readonly id: string }
const descriptors = (list: unknown): unknown => (Array.isArray(list) ? (list as Descriptor[]).map((d) => ({ ...d, id: bytes(d.id) })) : undefined)

function creation(options: Options): PublicKeyCredentialCreationOptions {
  const parse = forms().parseCreationOptionsFromJSON
  if (parse !== undefined) return parse.call(PublicKeyCredential, options)
  const user = options["user"] as Descriptor
  return { ...options, challenge: bytes(options["challenge"] as string), user: { ...user, id: bytes(user.id) }, excludeCredentials: descriptors(options["excludeCredentials"]) } as unknown as PublicKeyCredentialCreationOptions
}
function request(options: Options): PublicKeyCredentialRequestOptions {
  const parse = forms().parseRequestOptionsFromJSON
  if (parse !== undefined) return parse.call(PublicKeyCredential, options)
  return { ...options, challenge: bytes(options["challenge"] as string), allowCredentials: descriptors(options["allowCredentials"]) } as unknown as PublicKeyCredentialRequestOptions
}

/** A passkey's answer as JSON. */
function answer(credential: Credential | null): unknown {
  const key = credential as PublicKeyCredential & { toJSON?: () => unknown }
  if (key === null) throw new Error("no passkey was given")
  if (typeof key.toJSON === "function") return key.toJSON()
  const r = key.response as AuthenticatorAttestationResponse & AuthenticatorAssertionResponse
  return {
    id: key.id, rawId: base64url(key.rawId), type: key.type, clientExtensionResults: key.getClientExtensionResults(),
    response: {
      clientDataJSON: base64url(r.clientDataJSON),
      ...("attestationObject" in r && { attestationObject: base64url(r.attestationObject) }),
      ...("authenticatorData" in r && { authenticatorData: base64url(r.authenticatorData), signature: base64url(r.signature), userHandle: base64url(r.userHandle) }),
    },
  }
}

/**
 * A manager's sign-in on this device. What it gives is kept in memory only, for
 * its ten minutes, and belongs to one person.
 */
export class SignIn {
  readonly #api: Api
  readonly #token: () => Promise<string>
  readonly #clock: () => Instant
  #held: SignedIn | undefined

  constructor(api: Api, token: () => Promise<string>, clock: () => Instant) {
    this.#api = api
    this.#token = token
    this.#clock = clock
  }

  /** The token of a person who has signed in, while it holds. */
  of(person: PersonId): string | undefined {
    if (this.#held?.person !== person || this.#held.until - 10_000 <= this.#clock()) return undefined
    return this.#held.text
  }

  /** Until when the person is signed in. */
  get until(): Instant | undefined {
    return this.#held?.until
  }

  forget(): void {
    this.#held = undefined
  }

  async #any(person: PersonId): Promise<string> {
    return this.of(person) ?? (await this.#token())
  }

  async ways(person: PersonId): Promise<Ways> {
    return this.#api.ways(person, await this.#token())
  }

  /** Sets or replaces the passphrase; the first way in brings recovery codes. */
  async setPassphrase(person: PersonId, passphrase: string): Promise<readonly string[]> {
    return this.#api.setPassphrase(person, passphrase, await this.#any(person))
  }

  async byPassphrase(person: PersonId, passphrase: string): Promise<void> {
    this.#held = await this.#api.byPassphrase(person, passphrase, await this.#token(), this.#clock())
  }

  async byRecovery(person: PersonId, code: string): Promise<void> {
    this.#held = await this.#api.byRecovery(person, code, await this.#token(), this.#clock())
  }

  /** Adds a passkey of this device or of one at hand; the first way in brings recovery codes. */
  async addPasskey(person: PersonId, label: string): Promise<readonly string[]> {
    const token = await this.#any(person)
    const { ceremony, options } = await this.#api.beginPasskey("register", person, token)
    const credential = await navigator.credentials.create({ publicKey: creation(options) })
    return this.#api.finishPasskey(ceremony, answer(credential), label, token)
  }

  async byPasskey(person: PersonId): Promise<void> {
    const token = await this.#token()
    const { ceremony, options } = await this.#api.beginPasskey("login", person, token)
    const credential = await navigator.credentials.get({ publicKey: request(options) })
    this.#held = await this.#api.finishLogin(ceremony, answer(credential), token, this.#clock())
  }
}
