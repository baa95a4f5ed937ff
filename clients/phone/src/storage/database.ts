// A thin hold on IndexedDB: promises for requests, and one for the moment at
// which a transaction is really on the disk.

export class StorageTrouble extends Error {
  override name = "StorageTrouble"
}

export function openDatabase(name: string, version: number, upgrade: (db: IDBDatabase, from: number) => void): Promise<IDBDatabase> {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open(name, version)
    request.onupgradeneeded = (event) => upgrade(request.result, event.oldVersion)
    request.onblocked = () => reject(new StorageTrouble("another tab of Gatewright holds the storage: close it"))
    request.onerror = () => reject(request.error ?? new StorageTrouble("the storage of this phone could not be opened"))
    request.onsuccess = () => {
      const db = request.result
      // A newer page wants to change the stores: give way, or both would hang.
      db.onversionchange = () => db.close()
      resolve(db)
    }
  })
}

export function answer<T>(request: IDBRequest<T>): Promise<T> {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result)
    request.onerror = () => reject(request.error ?? new StorageTrouble("the storage gave no answer"))
  })
}

/** Settles when the transaction is complete: with strict durability that is after the flush. */
export function committed(transaction: IDBTransaction): Promise<void> {
  return new Promise((resolve, reject) => {
    transaction.oncomplete = () => resolve()
    transaction.onabort = () => reject(transaction.error ?? new StorageTrouble("the storage gave up a write"))
  })
}

/** A write that counts only once it is on the disk. */
export async function writeStrictly(db: IDBDatabase, stores: string[], write: (transaction: IDBTransaction) => void): Promise<void> {
  const transaction = db.transaction(stores, "readwrite", { durability: "strict" })
  const done = committed(transaction)
  try {
    write(transaction)
  } catch (problem) {
    transaction.abort()
    await done.catch(() => undefined)
    throw problem
  }
  await done
}
