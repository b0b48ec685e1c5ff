// Sends what the queue holds, oldest first, one at a time and from one window only; again later where there is no net.

import { RequestError, json } from "../request.js";

/** @typedef {import("./queue.js").Queue} Queue */
/** @typedef {import("./queue.js").Entry} Entry */
/** @typedef {"idle" | "sending" | "offline" | "signed-out"} Line */

const FIRST_PAUSE_MILLISECONDS = 2_000;
const LONGEST_PAUSE_MILLISECONDS = 60_000;
/** A reply that takes longer is taken for none: the report is sent again, and done once. */
const REPLY_MILLISECONDS = 20_000;

export class Sender {
  /**
   * @param {Queue} queue
   * @param {{line: (line: Line) => void, sent: (entry: Entry) => Promise<string | undefined>, renew: () => Promise<boolean>}} told
   *   `line`: how the net is; `sent`: one has arrived, its answer in words if there are any; `renew`: the page's session
   */
  constructor(queue, told) {
    this.queue = queue;
    this.told = told;
    this.pause = FIRST_PAUSE_MILLISECONDS;
    /** @type {number | undefined} */
    this.timer = undefined;
    this.busy = false;
    addEventListener("online", () => this.soon());
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState === "visible") this.soon();
    });
  }

  /** Tries now. */
  soon() {
    this.pause = FIRST_PAUSE_MILLISECONDS;
    clearTimeout(this.timer);
    void this.alone(() => this.send());
  }

  later() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => void this.alone(() => this.send()), this.pause);
    this.pause = Math.min(this.pause * 2, LONGEST_PAUSE_MILLISECONDS);
  }

  /** @param {() => Promise<void>} act */
  async alone(act) {
    if (this.busy) return;
    this.busy = true;
    try {
      if (navigator.locks) {
        await navigator.locks.request(`${this.queue.key}.send`, { ifAvailable: true }, async (lock) => {
          if (lock) await act();
        });
      } else {
        await act();
      }
    } finally {
      this.busy = false;
    }
  }

  async send() {
    for (let entry = this.queue.next(); entry; entry = this.queue.next()) {
      this.told.line("sending");
      const { id, at, event } = entry;
      try {
        const answer = await inTime(json("POST", "/v1/events", { id, at, event }));
        // Whatever follows: it has arrived.
        this.queue.change(id, { state: "sent", answer: standing(answer) });
        const words = await this.told.sent(entry);
        if (words) this.queue.change(id, { answer: words });
        this.pause = FIRST_PAUSE_MILLISECONDS;
      } catch (error) {
        if (!(await this.failed(entry, error))) return;
      }
    }
    this.told.line("idle");
  }

  /**
   * @param {Entry} entry
   * @param {unknown} error
   * @returns {Promise<boolean>} whether to go on
   */
  async failed(entry, error) {
    const refused = error instanceof RequestError ? error : new RequestError(0, null);
    const { status, problem } = refused;
    if (status === 401) {
      this.told.line("signed-out");
      return false;
    }
    if (status === 403 && problem?.code === "csrf-token-needed" && (await this.told.renew())) {
      this.later();
      return false;
    }
    if (status === 0 || status === 408 || status === 425 || status === 429 || status >= 500) {
      this.told.line("offline");
      this.later();
      return false;
    }
    this.queue.change(entry.id, { state: "refused", refusal: { status, problem } });
    return true;
  }
}

/**
 * @template T
 * @param {Promise<T>} reply
 * @returns {Promise<T>}
 */
function inTime(reply) {
  const late = new Promise((_, reject) => setTimeout(() => reject(new RequestError(0, null)), REPLY_MILLISECONDS));
  return Promise.race([reply, /** @type {Promise<never>} */ (late)]);
}

/** @param {any} answer an event as it stands */
function standing(answer) {
  if (answer?.standing === "waiting") return `Kept; it waits: ${answer.reason?.what ?? "something before it is missing"}.`;
  if (answer?.standing === "overtaken") return "A later word about it was known already, and counts.";
  return "";
}
