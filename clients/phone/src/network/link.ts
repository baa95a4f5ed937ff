import {
  Automerge,
  NetworkAdapter,
  type DocumentId,
  type Message,
  type PeerId,
  type PeerMetadata,
} from "@automerge/automerge-repo/slim"
import { backoff } from "./backoff"
import { readFrame, writeFrame, type ListedDocument, type RefusedChange } from "./frames"

/** offline: waiting to try again. ended: the server has closed this device out. */
export type LinkState = "offline" | "connecting" | "online" | "ended"

/** Why the server closes a socket, by its close codes. */
const closedForProtocol = 4400
const closedForIdentity = 4401
const closedForRevocation = 4403
const closedForSize = 4413
const closedForRate = 4429

export interface LinkEvents {
  state(state: LinkState): void
  documents(documents: readonly ListedDocument[]): void
  refused(document: DocumentId, refused: readonly RefusedChange[]): void
  /** The heads that the server says it has: what is below them is safe. */
  acknowledged(document: DocumentId, heads: readonly string[]): void
  /** The server no longer knows this device or its ticket. */
  identityRefused(): void
}

export interface LinkOptions {
  /** Gets the address of a socket with a fresh single-use ticket; undefined when this device may not connect any more. */
  readonly address: () => Promise<string | undefined>
  /** A document id that no document has: asking for it makes a living server answer. */
  readonly heartbeat: DocumentId
  readonly events: LinkEvents
  readonly open?: (address: string) => WebSocket
}

const handshakeWithin = 15_000
const askAfterSilence = 12_000
const deadAfterSilence = 30_000
const watchEvery = 3_000

/**
 * The phone's own way to the server for automerge-repo: a ticket for each
 * connection, jittered tries, and a watch that does not trust an open socket.
 */
export class ServerLink extends NetworkAdapter {
  readonly #options: LinkOptions
  #peerId: PeerId | undefined
  #meta: PeerMetadata = {}
  #socket: WebSocket | undefined
  #server: PeerId | undefined
  #attempt = 0
  #retry: ReturnType<typeof setTimeout> | undefined
  #watch: ReturnType<typeof setInterval> | undefined
  #heard = 0
  #state: LinkState = "offline"
  #closed = false
  #opening = false

  constructor(options: LinkOptions) {
    super()
    this.#options = options
  }

  // A phone works without the server: being offline never holds a document back.
  isReady(): boolean {
    return true
  }
  whenReady(): Promise<void> {
    return Promise.resolve()
  }

  connect(peerId: PeerId, meta?: PeerMetadata): void {
    this.#peerId = peerId
    this.#meta = meta ?? {}
    addEventListener("online", this.#wake)
    addEventListener("offline", this.#sleep)
    document.addEventListener("visibilitychange", this.#wake)
    this.#watch = setInterval(() => this.#look(), watchEvery)
    void this.#open()
  }

  disconnect(): void {
    this.#closed = true
    removeEventListener("online", this.#wake)
    removeEventListener("offline", this.#sleep)
    document.removeEventListener("visibilitychange", this.#wake)
    clearInterval(this.#watch)
    clearTimeout(this.#retry)
    this.#drop()
    this.#become("offline")
  }

  send(message: Message): void {
    const socket = this.#socket
    if (this.#server === undefined || socket === undefined || socket.readyState !== socket.OPEN) return
    // Somebody else's ephemeral message is not ours to pass back to the server.
    if (message.type === "ephemeral" && message.senderId !== this.#peerId) return
    socket.send(writeFrame(message as unknown as Record<string, unknown>))
  }

  /** Tries now rather than when the next try is due. */
  readonly retry = (): void => {
    if (this.#closed) return
    this.#attempt = 0
    if (this.#socket === undefined) void this.#open()
  }

  /** Leaves the present connection for a new one, for instance because this device now has one more person. */
  readonly reconnect = (): void => {
    this.#drop()
    this.#become("offline")
    this.retry()
  }

  readonly #wake = (): void => {
    if (document.visibilityState === "hidden") return
    this.#look()
    this.retry()
  }

  readonly #sleep = (): void => {
    this.#drop()
    this.#become("offline")
    this.#later()
  }

  #become(state: LinkState): void {
    if (this.#state === state) return
    this.#state = state
    this.#options.events.state(state)
  }

  async #open(): Promise<void> {
    if (this.#closed || this.#opening || this.#socket !== undefined) return
    this.#opening = true
    clearTimeout(this.#retry)
    if (this.#state !== "ended") this.#become("connecting")
    let address: string | undefined
    try {
      address = await this.#options.address()
    } catch {
      this.#opening = false
      if (this.#state !== "ended") this.#become("offline")
      this.#later()
      return
    }
    this.#opening = false
    if (this.#closed) return
    if (address === undefined) {
      this.#become("ended")
      this.#attempt = Math.max(this.#attempt, 5)
      this.#later()
      return
    }
    this.#become("connecting")
    this.#use((this.#options.open ?? ((url: string) => new WebSocket(url)))(address))
  }

  #use(socket: WebSocket): void {
    this.#socket = socket
    this.#heard = Date.now()
    socket.binaryType = "arraybuffer"
    socket.onopen = () => {
      this.#heard = Date.now()
      socket.send(
        writeFrame({
          type: "join",
          senderId: this.#peerId,
          peerMetadata: { ...this.#meta, gatewright: 1 },
          supportedProtocolVersions: ["1"],
        }),
      )
    }
    socket.onmessage = (event: MessageEvent<unknown>) => {
      if (this.#socket !== socket) return
      this.#heard = Date.now()
      if (event.data instanceof ArrayBuffer) this.#take(new Uint8Array(event.data))
    }
    socket.onclose = (event) => {
      if (this.#socket !== socket) return
      this.#left()
      this.#socket = undefined
      switch (event.code) {
        case closedForIdentity:
        case closedForRevocation:
          this.#options.events.identityRefused()
          break
        case closedForProtocol:
        case closedForSize:
        case closedForRate:
          // Knocking again at once would be refused again.
          this.#attempt = Math.max(this.#attempt, 5)
          break
      }
      this.#become("offline")
      this.#later()
    }
  }

  #take(bytes: Uint8Array): void {
    const frame = readFrame(bytes)
    if (frame === undefined) return
    switch (frame.type) {
      case "peer":
        this.#server = frame.senderId
        this.#attempt = 0
        this.#become("online")
        this.emit("peer-candidate", { peerId: frame.senderId, peerMetadata: frame.peerMetadata })
        return
      case "error":
        this.#attempt = Math.max(this.#attempt, 5)
        this.#drop()
        this.#become("offline")
        this.#later()
        return
      case "documents":
        this.#options.events.documents(frame.documents)
        return
      case "refused":
        this.#options.events.refused(frame.documentId, frame.refused)
        return
      case "repo": {
        const { message } = frame
        if (message.documentId === this.#options.heartbeat) return
        const heads = headsIn(message)
        this.emit("message", message)
        if (heads !== undefined && message.documentId !== undefined) this.#options.events.acknowledged(message.documentId, heads)
        return
      }
    }
  }

  #look(): void {
    const socket = this.#socket
    if (socket === undefined) return
    const silence = Date.now() - this.#heard
    if (silence > (this.#server === undefined ? handshakeWithin : deadAfterSilence)) {
      this.#drop()
      this.#become("offline")
      this.#later()
    } else if (silence > askAfterSilence && this.#server !== undefined && socket.readyState === socket.OPEN) {
      socket.send(
        writeFrame({ type: "request", senderId: this.#peerId, targetId: this.#server, documentId: this.#options.heartbeat, data: nothingYet() }),
      )
    }
  }

  #left(): void {
    const server = this.#server
    this.#server = undefined
    if (server !== undefined) this.emit("peer-disconnected", { peerId: server })
  }

  #drop(): void {
    const socket = this.#socket
    this.#left()
    this.#socket = undefined
    socket?.close()
  }

  #later(): void {
    clearTimeout(this.#retry)
    if (this.#closed) return
    this.#retry = setTimeout(() => void this.#open(), backoff(this.#attempt++))
  }
}

function headsIn(message: Message): readonly string[] | undefined {
  if (message.type !== "sync" || message.data === undefined) return undefined
  try {
    return Automerge.decodeSyncMessage(message.data).heads
  } catch {
    return undefined
  }
}

/** The sync message of somebody who has nothing and waits for nothing. */
function nothingYet(): Uint8Array {
  return Automerge.encodeSyncMessage({ heads: [], need: [], have: [], changes: [] })
}
