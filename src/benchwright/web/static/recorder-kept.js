// @ts-check
/**
 * Takes that were not sent yet, kept in this browser: each piece as soon as it was recorded, so that a page
 * that is closed in the middle loses no more than the last second. Without such a store they stay in memory.
 */

import { header } from "/static/recorder-wav.js";

/**
 * @typedef {object} Take
 * @property {string} id which is also the name of the deed that sends it
 * @property {string} name of the file
 * @property {number} at when it began, ms
 * @property {number} rate
 * @property {number} channels
 * @property {16|24} bits
 * @property {number} bytes of its samples
 * @property {number} pieces
 * @property {number} touched when something was last added, ms
 * @property {boolean} whole whether the recording was ended, not broken off
 */

/** @param {IDBRequest} request */
const done = (request) =>
  new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });

/** @param {IDBTransaction} deed */
const ended = (deed) =>
  new Promise((resolve, reject) => {
    deed.oncomplete = () => resolve(undefined);
    deed.onabort = deed.onerror = () => reject(deed.error);
  });

export class Kept {
  /** @param {IDBDatabase|null} store */
  constructor(store) {
    this.store = store;
    /** @type {Map<string, {take: Take, pieces: Blob[]}>} */
    this.memory = new Map();
  }

  static async open() {
    try {
      const asked = indexedDB.open("benchwright-takes", 1);
      asked.onupgradeneeded = () => {
        asked.result.createObjectStore("takes", { keyPath: "id" });
        asked.result.createObjectStore("pieces");
      };
      return new Kept(await done(asked));
    } catch {
      return new Kept(null);
    }
  }

  /**
   * Whether a take outlives the page.
   * @param {Take} take
   */
  lasts(take) {
    return this.store !== null && !this.memory.has(take.id);
  }

  /**
   * Write down a take, with its next piece if there is one.
   * @param {Take} take
   * @param {Blob} [piece]
   */
  async write(take, piece) {
    if (piece) {
      take.bytes += piece.size;
      take.pieces++;
    }
    take.touched = Date.now();
    if (this.store && !this.memory.has(take.id)) {
      try {
        const deed = this.store.transaction(["takes", "pieces"], "readwrite");
        deed.objectStore("takes").put(take);
        if (piece) deed.objectStore("pieces").put(piece, [take.id, take.pieces - 1]);
        return await ended(deed);
      } catch {
        // A full disk: what has been kept is read back, and the rest stays in memory.
        const pieces = await this.#pieces(take, take.pieces - (piece ? 1 : 0)).catch(() => []);
        this.memory.set(take.id, { take, pieces: piece ? [...pieces, piece] : pieces });
        return;
      }
    }
    const there = this.memory.get(take.id) ?? { take, pieces: [] };
    if (piece) there.pieces.push(piece);
    this.memory.set(take.id, { ...there, take });
  }

  /** @returns {Promise<Take[]>} the newest first */
  async all() {
    const kept = [...this.memory.values()].map((one) => one.take);
    if (this.store) {
      /** @type {Take[]} */
      const stored = await done(this.store.transaction("takes").objectStore("takes").getAll());
      kept.push(...stored.filter((one) => !this.memory.has(one.id)));
    }
    return kept.sort((a, b) => b.at - a.at);
  }

  /**
   * The take as a file.
   * @param {Take} take
   */
  async file(take) {
    const pieces = this.memory.get(take.id)?.pieces ?? (await this.#pieces(take, take.pieces));
    if (pieces.length < take.pieces) throw new Error("This take was sent or thrown away in another place.");
    const bytes = pieces.reduce((sum, one) => sum + one.size, 0);
    const even = new Uint8Array(bytes & 1); // chunks begin at even places
    return new File([header(take, bytes), ...pieces, even], take.name, { type: "audio/wav" });
  }

  /**
   * @param {Take} take
   * @param {number} count
   * @returns {Promise<Blob[]>}
   */
  async #pieces(take, count) {
    if (!this.store || !count) return [];
    const range = IDBKeyRange.bound([take.id, 0], [take.id, count - 1]);
    return done(this.store.transaction("pieces").objectStore("pieces").getAll(range));
  }

  /** @param {Take} take */
  async remove(take) {
    this.memory.delete(take.id);
    if (!this.store) return;
    const deed = this.store.transaction(["takes", "pieces"], "readwrite");
    deed.objectStore("takes").delete(take.id);
    deed.objectStore("pieces").delete(IDBKeyRange.bound([take.id, 0], [take.id, Infinity]));
    await ended(deed);
  }
}
