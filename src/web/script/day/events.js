// Reports on steps: what is told when which button is pressed.

import { identifier, now } from "./dom.js";

/** @typedef {import("./queue.js").Entry} Entry */
/** @typedef {import("./queue.js").Happened} Happened */

/** @type {Record<string, string>} */
const TITLES = {
  step_started: "Started",
  step_paused: "Paused",
  step_finished: "Finished",
  check_failed: "Did not pass",
  readings_taken: "Readings",
  re_wet: "Wet again",
};

/**
 * The step that a card is about.
 * @param {HTMLElement} card
 * @returns {{job: string, step: string, name: string, house: string}}
 */
export function about(card) {
  const { job = "", step = "", stepName = "", house = "" } = card.dataset;
  return { job, step, name: stepName, house };
}

/**
 * Seconds and offset from UTC: what the server calls an instant.
 * @param {number} at
 */
export function instant(at) {
  return `${new Date(at).toISOString().slice(0, 19)}Z`;
}

/**
 * A report on a step, made now.
 * @param {string} kind
 * @param {string} crew
 * @param {{job: string, step: string, name: string, house: string}} about
 * @param {Partial<Happened>} [more]
 * @param {number} [at] when it happened, if not now
 * @returns {Entry}
 */
export function report(kind, crew, about, more = {}, at = now()) {
  return {
    id: identifier(),
    at: instant(at),
    event: { kind, job: about.job, step: about.step, crew, ...more },
    title: `${TITLES[kind] ?? kind}: ${about.name}, ${about.house}`,
    state: "waiting",
  };
}

/** @type {Record<string, string>} */
const AFTER = {
  step_started: "running",
  step_paused: "paused",
  step_finished: "done",
  check_failed: "failed",
  readings_taken: "read",
};

/**
 * How a step stands after reports that the page does not know of yet.
 * @param {string} told as the page knows it
 * @param {Entry[]} entries oldest first
 * @returns {{standing: string, at: string | undefined, unsent: boolean}}
 */
export function after(told, entries) {
  let [standing, unsent] = [told, false];
  /** @type {string | undefined} */
  let at;
  for (const entry of entries.filter((entry) => entry.state !== "refused" && !entry.seen)) {
    const next = AFTER[entry.event.kind];
    if (!next) continue;
    [standing, at] = [next, entry.at];
    unsent ||= entry.state === "waiting";
  }
  return { standing, at, unsent };
}
