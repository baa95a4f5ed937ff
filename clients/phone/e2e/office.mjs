// A manager's program of its own, without a phone: an enrolled device that
// speaks the HTTP API.
import { generateKeyPairSync, sign } from "node:crypto"

export class Office {
  static async open(farm) {
    const office = new Office()
    office.origin = farm.origin
    office.farm = farm
    const { publicKey, privateKey } = generateKeyPairSync("ed25519")
    office.key = privateKey
    const raw = publicKey.export({ format: "der", type: "spki" }).subarray(-32)
    const joined = await office.post("/api/v1/join", {
      code: await office.invitation("manager", "Orla Byrne"), name: "Orla Byrne", device: { public_key: raw.toString("base64url"), label: "office" },
    })
    office.device = joined.device
    office.person = joined.person
    office.site = joined.site.id
    return office
  }

  /** The code of a fresh invitation, from the console. */
  async invitation(role, name) {
    const said = await this.farm.console("invite", "--role", role, "--name", name)
    const code = /#([0-9A-Z]{20})/.exec(said)
    if (code === null) throw new Error(`no code in ${said}`)
    return code[1]
  }

  async ask(method, path, body, token) {
    const response = await fetch(this.origin + path, {
      method,
      headers: { ...(body && { "content-type": "application/json" }), ...(token && { authorization: `Bearer ${token}` }) },
      ...(body && { body: JSON.stringify(body) }),
    })
    const answer = await response.json()
    if (!response.ok) throw new Error(`${method} ${path}: ${response.status} ${answer.detail}`)
    return answer
  }

  post(path, body, token) { return this.ask("POST", path, body, token) }

  /** The device's own token. */
  async deviceToken() {
    const { challenge } = await this.post("/api/v1/auth/challenge", { device: this.device })
    const signature = sign(null, Buffer.from(`gatewright challenge v1\n${this.device}\n${challenge}`), this.key).toString("base64url")
    return (await this.post("/api/v1/auth/token", { device: this.device, challenge, signature, clock: Date.now() })).access_token
  }

  /** The token of the manager, who signs in with a passphrase; it is set the first time. */
  async token() {
    const device = await this.deviceToken()
    const who = { person: this.person, passphrase: "a phrase for the office" }
    if (!this.set) await this.post("/api/v1/auth/passphrase/set", who, device)
    this.set = true
    return (await this.post("/api/v1/auth/passphrase/login", who, device)).access_token
  }

  /** Asks about the site as its manager. */
  async at(method, path, body) {
    return this.ask(method, `/api/v1/sites/${this.site}${path}`, body, await this.token())
  }

  async endPerson(name) {
    const { people } = await this.at("GET", "/people")
    const person = people.find((p) => p.name === name)
    await this.at("POST", `/people/${person.id}/end`, {})
    return person.id
  }

  async refused(decided = false) {
    return (await this.at("GET", `/quarantine${decided ? "?decided=true" : ""}`)).items
  }
}
