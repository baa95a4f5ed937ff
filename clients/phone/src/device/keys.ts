// The device's key pair. Where the browser can, WebCrypto holds it and never
// lets the private half out; older browsers get a key in plain bytes.

export type DeviceKeys =
  | { readonly how: "webcrypto"; readonly pair: CryptoKeyPair; readonly publicKey: Uint8Array }
  | { readonly how: "bytes"; readonly seed: Uint8Array; readonly publicKey: Uint8Array }

export async function makeKeys(): Promise<DeviceKeys> {
  try {
    const pair = (await crypto.subtle.generateKey({ name: "Ed25519" }, false, ["sign", "verify"])) as CryptoKeyPair
    const publicKey = new Uint8Array(await crypto.subtle.exportKey("raw", pair.publicKey))
    return { how: "webcrypto", pair, publicKey }
  } catch {
    const ed25519 = await import("@noble/ed25519")
    const { secretKey, publicKey } = await ed25519.keygenAsync()
    return { how: "bytes", seed: secretKey, publicKey }
  }
}

export async function signWith(keys: DeviceKeys, message: Uint8Array<ArrayBuffer>): Promise<Uint8Array> {
  if (keys.how === "webcrypto") {
    return new Uint8Array(await crypto.subtle.sign({ name: "Ed25519" }, keys.pair.privateKey, message))
  }
  const ed25519 = await import("@noble/ed25519")
  return ed25519.signAsync(message, keys.seed)
}

export function base64url(bytes: Uint8Array): string {
  return btoa(String.fromCharCode(...bytes))
    .replaceAll("+", "-")
    .replaceAll("/", "_")
    .replaceAll("=", "")
}
