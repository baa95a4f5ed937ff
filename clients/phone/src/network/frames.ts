import { cbor, type DocumentId, type Message, type PeerId, type PeerMetadata } from "@automerge/automerge-repo/slim"

// The frames of the socket: those of automerge-repo, and two of our own that
// a server sends to a client that says `gatewright: 1` when it joins.

export interface ListedDocument {
  readonly name: string
  readonly id: DocumentId
  readonly heads: readonly string[]
}
export interface RefusedChange {
  readonly hash: string
  readonly code: string
  readonly reason: string
  readonly entries: readonly string[]
  /** Kept by the server until its author comes back, rather than refused. */
  readonly held: boolean
}
export type ServerFrame =
  | { readonly type: "peer"; readonly senderId: PeerId; readonly peerMetadata: PeerMetadata }
  | { readonly type: "error"; readonly message: string }
  | { readonly type: "documents"; readonly documents: readonly ListedDocument[] }
  | { readonly type: "refused"; readonly documentId: DocumentId; readonly refused: readonly RefusedChange[] }
  | { readonly type: "repo"; readonly message: Message }

type Fields = Readonly<Record<string, unknown>>
const isFields = (value: unknown): value is Fields => typeof value === "object" && value !== null
const text = (f: Fields, key: string): string => (typeof f[key] === "string" ? (f[key] as string) : "")
const texts = (value: unknown): readonly string[] => (Array.isArray(value) ? value.filter((v): v is string => typeof v === "string") : [])
const list = (value: unknown): readonly Fields[] => (Array.isArray(value) ? value.filter(isFields) : [])

const repoTypes: readonly string[] = ["sync", "request", "doc-unavailable", "ephemeral"]

/** Reads one frame; undefined for what this version does not know. */
export function readFrame(bytes: Uint8Array): ServerFrame | undefined {
  let value: unknown
  try {
    value = cbor.decode(bytes)
  } catch {
    return undefined
  }
  if (!isFields(value)) return undefined
  const type = text(value, "type")
  switch (type) {
    case "peer": {
      const meta = isFields(value["peerMetadata"]) ? value["peerMetadata"] : {}
      return {
        type,
        senderId: text(value, "senderId") as PeerId,
        peerMetadata: {
          ...(text(meta, "storageId") !== "" && { storageId: text(meta, "storageId") as NonNullable<PeerMetadata["storageId"]> }),
          isEphemeral: meta["isEphemeral"] === true,
        },
      }
    }
    case "error":
      return { type, message: text(value, "message") }
    case "documents":
      return {
        type,
        documents: list(value["documents"]).map((d) => ({ name: text(d, "name"), id: text(d, "id") as DocumentId, heads: texts(d["heads"]) })),
      }
    case "refused":
      return {
        type,
        documentId: text(value, "documentId") as DocumentId,
        refused: list(value["refused"]).map((r) => ({
          hash: text(r, "hash"),
          code: text(r, "code"),
          reason: text(r, "reason"),
          entries: texts(r["entries"]),
          held: r["held"] === true,
        })),
      }
  }
  if (!repoTypes.includes(type) || text(value, "documentId") === "" || text(value, "senderId") === "") return undefined
  const message = { ...value } as Record<string, unknown>
  // A view into a larger buffer would keep the whole frame alive.
  if (message["data"] instanceof Uint8Array) message["data"] = new Uint8Array(message["data"])
  return { type: "repo", message: message as unknown as Message }
}

export function writeFrame(message: Readonly<Record<string, unknown>>): Uint8Array<ArrayBuffer> {
  return new Uint8Array(cbor.encode(message))
}
