// "What if this step were there?": asked, told in words with its cost and who is touched, and then kept or dropped. Whoever
// accepts gets exactly what was shown, or is told what is otherwise by now.

import { json, RequestError } from "../request.js";
import { minuteOf } from "./dates.js";

/** @typedef {import("./types.js").Pin} Pin */
/** @typedef {import("./types.js").Board} Board */
/** @typedef {import("./types.js").Ghost} Ghost */

/**
 * @typedef {{crew: string, crew_name: string, start: string, finish: string}} PlacedAt
 * @typedef {{job: string, step: string, step_name: string, house: string, house_name: string, before: PlacedAt | null, after: PlacedAt | null}} StepChange
 * @typedef {{[part: string]: number} & {total: number}} Cost
 */

/**
 * What an answer and the comparison of a draft have in common.
 * @typedef {object} Difference
 * @property {StepChange[]} moved
 * @property {StepChange[]} added
 * @property {StepChange[]} dropped
 * @property {{house: string, house_name: string, before: string | null, after: string | null}[]} houses
 * @property {string[]} crews_touched
 * @property {string[]} houses_touched
 * @property {Cost | null} cost_before
 * @property {Cost} cost_after
 * @property {{job: string, step: string, step_name?: string, what?: string, cure?: string}[]} [unplaced]
 * @property {{job: string, step: string}[]} [unplaced_before]
 */

/**
 * @typedef {object} Question
 * @property {string} job key
 * @property {number} version of the job when it was asked
 * @property {Pin} pin
 * @property {Pin | undefined} before what was pinned until now
 * @property {Difference} answer all that would be otherwise than promised
 * @property {Difference} due what of it comes of the question
 * @property {number} anyway steps that move in any case: what is promised cannot all stay as things are
 * @property {number} plan number of the promise it was held against
 */

/** As a repair plans: so that what is accepted is what was shown. */
const AS_REPAIRS = { basis: "repair", seed: 1, move_budget: 40 };
/** How long a repair is waited for, seconds. */
const REPAIR_SECONDS = 20;

/**
 * @param {Board} board
 * @param {number} step
 * @param {Omit<Pin, "step">} to
 * @returns {Promise<Question>}
 */
export async function ask(board, step, to) {
  const own = board.steps[step];
  const job = own && board.jobs[own.job];
  if (!own || !job) {
    throw new RequestError(0, null);
  }
  const pin = { step: own.key, ...to };
  const event = { kind: "step_pinned", job: job.key, pin };
  const [answer, today] = await Promise.all([
    json("POST", "/v1/what-ifs", { changes: [{ event }], ...AS_REPAIRS }),
    json("POST", "/v1/what-ifs", { changes: [], ...AS_REPAIRS }),
  ]);
  const due = without(answer, today);
  const anyway = changed(answer).size - changed(due).size;
  return { job: job.key, version: job.version, pin, before: own.pin, answer, due, anyway, plan: board.plan?.number ?? 0 };
}

/**
 * What of a difference is not in another.
 * @param {Difference} difference
 * @param {Difference} other
 * @returns {Difference}
 */
function without(difference, other) {
  const known = changed(other);
  const now = changed(difference);
  /** @param {StepChange[]} list */
  const own = (list) => list.filter(({ job, step }) => known.get(`${job}/${step}`) !== now.get(`${job}/${step}`));
  const [moved, added, dropped] = [own(difference.moved), own(difference.added), own(difference.dropped)];
  const all = [...moved, ...added, ...dropped];
  const finishes = new Map(other.houses.map((house) => [house.house, house.after]));
  return {
    ...difference, moved, added, dropped,
    houses: difference.houses.filter((house) => finishes.get(house.house) !== house.after),
    crews_touched: [...new Set(all.flatMap(({ before, after }) => [before?.crew ?? [], after?.crew ?? []].flat()))].sort(),
    houses_touched: [...new Set(all.map((change) => change.house))].sort(),
  };
}

/**
 * Where steps would be, for drawing.
 * @param {Difference} difference
 * @returns {Ghost[]}
 */
export function ghostsOf(difference) {
  return [...difference.moved, ...difference.added].flatMap((change) => {
    const { after } = change;
    return after
      ? [{ job: change.job, step: change.step, crew: after.crew, start: minuteOf(after.start), end: minuteOf(after.finish) }]
      : [];
  });
}

/**
 * What comes of accepting.
 * @typedef {{kind: "done", text: string} | {kind: "differs", draft: string, difference: Difference, text: string}
 *   | {kind: "published", text: string}} Accepted
 */

/**
 * Stores the pin, and publishes the plan that follows from it if it is the one that was shown.
 * @param {Question} question
 * @returns {Promise<Accepted>}
 */
export async function accept(question) {
  const { step, ...fixes } = question.pin;
  await json("PUT", pinPath(question), fixes, { "If-Match": `"${question.version}"` });
  // The change wakes the repair of the plan, which plans as the question was planned.
  const state = await json("GET", `/v1/repairs/state?wait_seconds=${REPAIR_SECONDS}`);
  if (state.proposal) {
    return publishIfSame(question, state.proposal);
  }
  const plan = await json("GET", "/v1/board?days=1").catch(() => null);
  if (state.settled && plan && plan.plan?.number !== question.plan) {
    return published(question);
  }
  if (state.settled && changed(question.answer).size === 0) {
    return { kind: "done", text: "Kept. Nothing else had to move." };
  }
  const draft = await json("POST", "/v1/plans", AS_REPAIRS);
  return publishIfSame(question, draft.id);
}

/**
 * @param {Question} question
 * @param {string} draft
 * @returns {Promise<Accepted>}
 */
async function publishIfSame(question, draft) {
  const difference = /** @type {Difference} */ (await json("GET", `/v1/plans/${draft}/comparison`));
  if (!isSame(changed(question.answer), changed(difference))) {
    const text = "Something else has changed since you asked. With your pin the plan would now be this:";
    return { kind: "differs", draft, difference, text };
  }
  await publish(draft);
  return { kind: "done", text: "Kept and published, exactly as shown." };
}

/**
 * The company's repairs are published at once: look whether it came as shown.
 * @param {Question} question
 * @returns {Promise<Accepted>}
 */
async function published(question) {
  const plan = await json("GET", "/v1/plans/published");
  /** @type {Map<string, PlacedAt>} */
  const now = new Map();
  for (const placed of plan.placements) {
    now.set(`${placed.job}/${placed.step}`, placed);
  }
  const otherwise = [...question.answer.moved, ...question.answer.added].filter((change) => {
    const there = now.get(`${change.job}/${change.step}`);
    const { after } = change;
    return !there || !after || there.crew !== after.crew || minuteOf(there.start) !== minuteOf(after.start);
  });
  if (otherwise.length === 0) {
    return { kind: "done", text: "Kept and published, exactly as shown." };
  }
  const names = otherwise.slice(0, 3).map((change) => `${change.step_name} at ${change.house_name}`).join(", ");
  const text = `Kept and published, but something else had changed meanwhile: not as shown are ${names}${otherwise.length > 3 ? " and more" : ""}.`;
  return { kind: "published", text };
}

/** @param {string} draft */
export async function publish(draft) {
  await json("POST", `/v1/plans/${draft}/publication`, undefined, { "If-Match": "*" });
}

/** @param {string} draft */
export async function reject(draft) {
  await json("POST", `/v1/plans/${draft}/rejection`, undefined, { "If-Match": "*" });
}

/**
 * Takes a pin back that was stored, after all.
 * @param {Question} question
 * @param {string} draft
 */
export async function takeBack(question, draft) {
  await reject(draft).catch(() => undefined);
  if (question.before) {
    const { step, ...fixes } = question.before;
    await json("PUT", pinPath(question), fixes, { "If-Match": "*" });
  } else {
    await json("DELETE", pinPath(question), undefined, { "If-Match": "*" });
  }
}

/**
 * Frees a step.
 * @param {string} job
 * @param {string} step
 * @param {number} version
 */
export async function unpin(job, step, version) {
  await json("DELETE", `/v1/jobs/${encodeURIComponent(job)}/pins/${encodeURIComponent(step)}`, undefined, {
    "If-Match": `"${version}"`,
  });
}

/** @param {Question} question */
function pinPath(question) {
  return `/v1/jobs/${encodeURIComponent(question.job)}/pins/${encodeURIComponent(question.pin.step)}`;
}

/**
 * Where every changed step comes to be.
 * @param {Difference} difference
 * @returns {Map<string, string>}
 */
function changed(difference) {
  const all = [...difference.moved, ...difference.added, ...difference.dropped];
  return new Map(all.map(({ job, step, after }) => [
    `${job}/${step}`,
    after ? `${after.crew} ${minuteOf(after.start)} ${minuteOf(after.finish)}` : "nowhere",
  ]));
}

/**
 * @param {Map<string, string>} one
 * @param {Map<string, string>} other
 */
function isSame(one, other) {
  return one.size === other.size && [...one].every(([step, place]) => other.get(step) === place);
}
