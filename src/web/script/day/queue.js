// Reports that this phone has made and not yet told, in the order of making; kept through reloads and dead spots. Each has
// an identifier of its own from the moment it is made, so that it is told once however often it is sent.

import { keep, kept } from "./dom.js";

/**
 * @typedef {import("../request.js").Problem} Problem
 *
 * @typedef {object} Happened a report on a step, as `POST /v1/events` takes it
 * @property {string} kind
 * @property {string} job
 * @property {string} step
 * @property {string} crew
 * @property {string} [started_at]
 * @property {number} [remaining_minutes]
 * @property {{area: string, mc_percent: number}[]} [readings]
 *
 * @typedef {object} Entry
 * @property {string} id
 * @property {string} at when it happened
 * @property {Happened} event
 * @property {string} title for people
 * @property {"waiting" | "refused" | "sent"} state
 * @property {string} [answer] what the server said to it
 * @property {boolean} [seen] the page knows what it has changed
 * @property {{status: number, problem: Problem | null}} [refusal]
 */

/** Reports that were sent are shown until there are so many newer ones. */
const SENT_SHOWN = 6;

export class Queue {
  /** @param {string} crew */
  constructor(crew) {
    this.key = `tackfree.day.queue.${crew}`;
    /** @type {(() => void)[]} */
    this.listeners = [];
    addEventListener("storage", (event) => {
      if (event.key === this.key) this.changed();
    });
  }

  /** @returns {Entry[]} oldest first */
  all() {
    return kept(this.key, /** @type {Entry[]} */ ([]));
  }

  /** @returns {Entry | undefined} the next to send */
  next() {
    return this.all().find((entry) => entry.state === "waiting");
  }

  /**
   * @param {Entry[]} entries
   * @returns {boolean} whether they are kept
   */
  put(entries) {
    const sent = entries.filter((entry) => entry.state === "sent");
    const old = new Set(sent.slice(0, Math.max(0, sent.length - SENT_SHOWN)).map((entry) => entry.id));
    const kept = keep(this.key, entries.filter((entry) => !(old.has(entry.id) && entry.seen)));
    this.changed();
    return kept;
  }

  /**
   * @param {Entry} entry
   * @returns {boolean} whether it is kept
   */
  add(entry) {
    return this.put([...this.all(), entry]);
  }

  /**
   * @param {string} id
   * @param {Partial<Entry>} part
   */
  change(id, part) {
    this.put(this.all().map((entry) => (entry.id === id ? { ...entry, ...part } : entry)));
  }

  /** @param {string} id */
  drop(id) {
    this.put(this.all().filter((entry) => entry.id !== id));
  }

  /** @param {() => void} listener called whenever something has changed, in this window or another */
  onChange(listener) {
    this.listeners.push(listener);
  }

  changed() {
    for (const listener of this.listeners) listener();
  }
}
