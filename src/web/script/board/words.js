// What things are called.

import { between, clock, day, dayClock, length } from "./dates.js";

/** @typedef {import("./types.js").Board} Board */
/** @typedef {import("./types.js").Step} Step */
/** @typedef {import("./types.js").Wait} Wait */

/** @type {Record<string, [string, string]>} what a kind of work is called, and its letters */
const KINDS = {
  set_up: ["Set-up", "Su"],
  sand: ["Sanding", "S"],
  edge: ["Edging", "E"],
  vacuum: ["Vacuuming", "V"],
  water_pop: ["Water-popping", "W"],
  treat_a: ["Treatment A", "A"],
  treat_b: ["Treatment B", "B"],
  check: ["Readings", "R"],
  stain: ["Staining", "St"],
  seal: ["Sealing", "Se"],
  abrade: ["Abrading", "Ab"],
  coat: ["Coating", "C"],
  walk_through: ["Walk-through", "Wt"],
  other: ["Other work", "O"],
};

/** @param {string} kind */
export const kindName = (kind) => KINDS[kind]?.[0] ?? kind;
/** @param {string} kind */
export const kindLetters = (kind) => KINDS[kind]?.[1] ?? "?";
/** @param {string} kind */
export const kindClass = (kind) => `k-${kind.replaceAll("_", "-")}`;

/**
 * What is said of where a step stands.
 * @param {Step} step
 * @param {number} now
 */
export function stateName(step, now) {
  const end = step.pieces?.at(-1)?.[1] ?? 0;
  switch (step.state) {
    case "done":
      return step.presumed ? "taken to be done, not reported" : "done";
    case "running":
      return step.presumed ? "taken to be under way, not reported" : "under way";
    case "planned":
      return end <= now ? "not reported" : "planned";
    case "unplanned":
      return "without a place in the plan";
  }
}

/** @type {Record<string, string>} */
const FILMS = {
  treatment: "treatment",
  waterborne: "waterborne finish",
  oil_modified: "oil-modified finish",
  moisture_cure: "moisture-cured finish",
};

/**
 * A wait in a sentence.
 * @param {Board} board
 * @param {Wait} wait
 * @param {string} zone
 */
export function waitText(board, wait, zone) {
  const after = board.steps[wait.from]?.name ?? "";
  const parts = [];
  if (wait.kind === "dwell") {
    parts.push(`dwell after ${after}: not before ${clock(wait.ready ?? wait.start, zone)}`);
  } else if (wait.kind === "window") {
    parts.push(`after ${after}`);
  } else {
    const what = wait.kind === "drying" ? `${FILMS[wait.film ?? ""] ?? "floor"} dries` : "pause";
    const until = wait.ready === null ? "and is not dry in months" : `until ${dayClock(wait.ready, zone)}`;
    parts.push(`${what} after ${after} ${until}`);
  }
  if (wait.keep_off) {
    parts.push("keep off");
  }
  if (wait.latest !== undefined) {
    const then = wait.lapses ? ", then it is abraded first" : "";
    parts.push(`not after ${wait.kind === "dwell" ? clock(wait.latest, zone) : dayClock(wait.latest, zone)}${then}`);
  }
  return parts.join(", ");
}

/**
 * All of a step's place in one line, for those who listen and for the tip of the pointer.
 * @param {Board} board
 * @param {number} number
 */
export function stepText(board, number) {
  const step = board.steps[number];
  const job = step && board.jobs[step.job];
  const house = job && board.houses[job.house];
  if (!step || !house) {
    return "";
  }
  const parts = [`${step.name} at ${house.name}`];
  const pieces = step.pieces ?? [];
  const [first, last] = [pieces[0], pieces.at(-1)];
  if (first && last) {
    parts.push(between(first[0], last[1], house.time_zone));
  }
  if (step.crew !== undefined) {
    parts.push(board.crews[step.crew]?.name ?? "");
  }
  parts.push(stateName(step, board.now));
  if (step.pin) {
    parts.push("pinned");
  }
  if (step.moved_because) {
    parts.push(`moved: ${step.moved_because}`);
  }
  if (step.tries?.some((tried) => tried.failed)) {
    parts.push("failed before");
  }
  return parts.join(", ");
}

/**
 * What a pin fixes.
 * @param {import("./types.js").Pin} pin
 * @param {Board} board
 * @param {string} zone
 */
export function pinText(pin, board, zone) {
  const parts = [];
  if (pin.crew) {
    parts.push(board.crews.find((crew) => crew.key === pin.crew)?.name ?? pin.crew);
  }
  if (pin.start) {
    parts.push(dayClock(Math.floor(Date.parse(pin.start) / 60_000), zone));
  }
  if (pin.day) {
    parts.push(day(Math.floor(Date.parse(`${pin.day}T12:00:00Z`) / 60_000), "UTC"));
  }
  if (pin.not_before) {
    parts.push(`not before ${dayClock(Math.floor(Date.parse(pin.not_before) / 60_000), zone)}`);
  }
  return parts.join(", ");
}

/**
 * How much later or earlier, such as "2 h later".
 * @param {number} minutes
 */
export function shiftText(minutes) {
  return minutes === 0 ? "at the same time" : `${length(Math.abs(minutes))} ${minutes > 0 ? "later" : "earlier"}`;
}

/**
 * @param {number} count
 * @param {string} one
 * @param {string} [many]
 */
export function counted(count, one, many = `${one}s`) {
  return `${count} ${count === 1 ? one : many}`;
}
