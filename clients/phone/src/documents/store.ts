import { type Chunk, type StorageAdapterInterface, type StorageKey } from "@automerge/automerge-repo/slim"
import { IndexedDBStorageAdapter } from "@automerge/automerge-repo-storage-indexeddb"

/**
 * The stock IndexedDB storage behind a door. automerge-repo writes late, on a
 * throttle; after a refusal its local copy has to go, and a late write must not
 * bring that back. A shut door lets nothing more in.
 */
export class DocumentStore implements StorageAdapterInterface {
  readonly #inner: StorageAdapterInterface
  #open = true

  constructor(inner: StorageAdapterInterface) {
    this.#inner = inner
  }

  static named(name: string): IndexedDBStorageAdapter {
    return new IndexedDBStorageAdapter(name)
  }

  shut(): void {
    this.#open = false
  }

  load(key: StorageKey): Promise<Uint8Array | undefined> {
    return this.#inner.load(key)
  }
  async save(key: StorageKey, data: Uint8Array): Promise<void> {
    if (this.#open) await this.#inner.save(key, data)
  }
  async remove(key: StorageKey): Promise<void> {
    if (this.#open) await this.#inner.remove(key)
  }
  loadRange(prefix: StorageKey): Promise<Chunk[]> {
    return this.#inner.loadRange(prefix)
  }
  async removeRange(prefix: StorageKey): Promise<void> {
    if (this.#open) await this.#inner.removeRange(prefix)
  }
}
