// The panel beside the grid: a step's details, a question's answer, a proposed repair. One at a time.

import { json } from "../request.js";
import { between, clock, dayClock, length, minuteOf, wall } from "./dates.js";
import { byId, element } from "./dom.js";
import { timeSpent } from "./loads.js";
import { houseOf } from "./model.js";
import { counted, kindClass, kindName, pinText, shiftText, stateName, waitText } from "./words.js";

/** @typedef {import("./model.js").Model} Model */
/** @typedef {import("./question.js").Difference} Difference */

/** Changes told one by one. */
const CHANGES_MAX = 40;
const panel = () => byId("board-panel", HTMLElement);
/** Counts what was opened, so that an answer that comes late finds its place taken. */
let opened = 0;

/**
 * @param {string} title
 * @param {string} [kind] class of a step's kind
 * @returns {{body: HTMLElement, isOpen: () => boolean}}
 */
export function open(title, kind = "") {
  opened += 1;
  const mine = opened;
  const box = panel();
  const head = element("div", "panel-head");
  const heading = element("h2", kind ? `with-kind ${kind}` : "", title);
  heading.tabIndex = -1;
  const away = element("button", "shut-panel", "✕");
  away.type = "button";
  away.setAttribute("aria-label", "Close");
  away.dataset.act = "close";
  head.append(heading, away);
  const body = element("div", "panel-body");
  box.replaceChildren(head, body);
  box.hidden = false;
  heading.focus({ preventScroll: true });
  return { body, isOpen: () => mine === opened && !box.hidden };
}

/** @returns {boolean} whether anything was open */
export function close() {
  const box = panel();
  const was = !box.hidden;
  box.hidden = true;
  box.replaceChildren();
  opened += 1;
  return was;
}

/**
 * @param {string} term
 * @param {...(string | Node)} told
 */
function line(term, ...told) {
  const box = element("div");
  const dd = element("dd");
  dd.append(...told);
  box.append(element("dt", "", term), dd);
  return box;
}

/**
 * @typedef {object} StepDoings
 * @property {(step: number, to: {crew?: string, start?: string, day?: string}) => void} ask
 * @property {(step: number) => void} unpin
 */

/**
 * All about one step; of several on one day, each.
 * @param {Model} model
 * @param {number[]} steps
 * @param {StepDoings} doings
 */
export function showSteps(model, steps, doings) {
  const { board } = model;
  const first = board.steps[steps[0] ?? -1];
  if (!first) {
    return;
  }
  const house = houseOf(board, steps[0] ?? -1);
  const one = steps.length === 1;
  const { body, isOpen } = open(one ? first.name : `${counted(steps.length, "step")} on this day`, one ? kindClass(first.kind) : "");
  if (!one) {
    const list = element("div", "choices");
    for (const number of steps) {
      const step = board.steps[number];
      const pick = element("button", `pick ${kindClass(step?.kind ?? "other")}`);
      pick.type = "button";
      const [start, end] = [step?.pieces?.[0]?.[0] ?? 0, step?.pieces?.at(-1)?.[1] ?? 0];
      const zone = houseOf(board, number)?.time_zone ?? board.time_zone;
      pick.append(element("b", "", step?.name), element("span", "", `${houseOf(board, number)?.name}, ${between(start, end, zone)}`));
      pick.addEventListener("click", () => showSteps(model, [number], doings));
      list.append(pick);
    }
    body.append(list);
    return;
  }
  body.append(element("p", "where", `${house?.name ?? ""}${house?.address ? ` · ${house.address}` : ""}`), facts(model, steps[0] ?? -1));
  const more = element("div", "more");
  more.append(element("p", "aside", "Looking up why not earlier …"));
  body.append(...(first.state === "planned" || first.state === "unplanned" ? [form(model, steps[0] ?? -1, doings)] : []), more);
  void lookUp(model, steps[0] ?? -1, more, isOpen);
}

/**
 * What the board knows of a step.
 * @param {Model} model
 * @param {number} number
 */
function facts(model, number) {
  const { board } = model;
  const list = element("dl", "facts");
  const step = board.steps[number];
  const job = step && board.jobs[step.job];
  const zone = houseOf(board, number)?.time_zone ?? board.time_zone;
  if (!step || !job) {
    return list;
  }
  list.append(line("Work", kindName(step.kind)), line("Stands", stateName(step, board.now)));
  if (step.pieces?.length) {
    list.append(line("When", step.pieces.map(([start, end]) => between(start, end, zone)).join("; ")));
  }
  if (step.crew !== undefined) {
    list.append(line("Crew", board.crews[step.crew]?.name ?? ""));
  }
  for (const tried of step.tries ?? []) {
    list.append(line(tried.failed ? "Failed" : "Left", between(tried.start, tried.finish, zone)));
  }
  if (step.pin) {
    list.append(line("Pinned", pinText(step.pin, board, zone)));
  }
  if (step.moved_because) {
    list.append(line("Moved", `because ${step.moved_because}`));
  }
  if (step.unplaced) {
    list.append(line("No place", `${step.unplaced.what}. To cure it: ${step.unplaced.cure}.`));
  }
  const before = board.waits.filter((wait) => wait.to === number);
  before.forEach((wait) => list.append(line("Before", waitText(board, wait, zone))));
  board.waits.filter((wait) => wait.from === number).forEach((wait) => list.append(line("After", waitText(board, wait, zone))));
  if (job.due !== null) {
    const late = job.late_minutes > 0 ? `, ${length(job.late_minutes)} late` : "";
    list.append(line("House due", dayClock(job.due, zone) + (job.finish === null ? "" : `; finished ${dayClock(job.finish, zone)}${late}`)));
  }
  const chance = model.chances.get(job.key);
  if (chance && chance.in_time_percent !== null) {
    const driver = chance.driver ? `; most often late because ${chance.driver}` : "";
    list.append(line("Chance", `${Math.round(chance.in_time_percent)} % to make the date${driver}`));
  }
  return list;
}

/**
 * Another crew, day or time, to be asked about.
 * @param {Model} model
 * @param {number} number
 * @param {StepDoings} doings
 */
function form(model, number, doings) {
  const { board } = model;
  const step = board.steps[number];
  const zone = houseOf(board, number)?.time_zone ?? board.time_zone;
  const made = element("form", "ask");
  made.append(element("h3", "", "What if it were …"));
  const crew = element("select");
  crew.name = "crew";
  crew.append(new Option("whichever crew", ""), ...board.crews.map((one) => new Option(one.name, one.key)));
  crew.value = board.crews[step?.crew ?? -1]?.key ?? "";
  const start = step?.pieces?.[0]?.[0] ?? board.now;
  const date = element("input");
  Object.assign(date, { type: "date", name: "date", value: wall(start, zone).date });
  const time = element("input");
  Object.assign(time, { type: "time", name: "time", value: step?.pieces ? clock(start, zone) : "", step: 300 });
  for (const [label, field] of /** @type {[string, HTMLElement][]} */ ([["Crew", crew], ["Day", date], ["Time, or empty for any", time]])) {
    const made_label = element("label", "", label);
    made_label.append(field);
    made.append(made_label);
  }
  const go = element("button", "main", "What if?");
  made.append(go);
  if (step?.pin) {
    const free = element("button", "", "Take the pin off");
    free.type = "button";
    free.dataset.role = "office";
    free.addEventListener("click", () => doings.unpin(number));
    made.append(free);
  }
  made.addEventListener("submit", (event) => {
    event.preventDefault();
    const to = /** @type {{crew?: string, start?: string, day?: string}} */ ({});
    if (crew.value) {
      to.crew = crew.value;
    }
    if (date.value && time.value) {
      to.start = `${date.value}T${time.value}`;
    } else if (date.value) {
      to.day = date.value;
    }
    doings.ask(number, to);
  });
  return made;
}

/**
 * What the server has to say about a step.
 * @param {Model} model
 * @param {number} number
 * @param {HTMLElement} more
 * @param {() => boolean} isOpen
 */
async function lookUp(model, number, more, isOpen) {
  const { board } = model;
  const step = board.steps[number];
  const job = step && board.jobs[step.job];
  const zone = houseOf(board, number)?.time_zone ?? board.time_zone;
  /** @type {{notes: string | null, areas: string[] | null, gear: string[], able_crews: string[], air: string | null, earlier: {start: number, because: string[]}[], slack: {in_place: number, for_date: number | null} | null, job_time: import("./loads.js").TimeSpent[]}} */
  let view;
  try {
    view = await json("GET", `/v1/board/jobs/${encodeURIComponent(job?.key ?? "")}/steps/${encodeURIComponent(step?.key ?? "")}`);
  } catch (error) {
    more.replaceChildren(element("p", "aside", error instanceof Error ? error.message : "That could not be looked up."));
    return;
  }
  if (!isOpen()) {
    return;
  }
  const made = [];
  if (view.earlier.length > 0) {
    const list = element("ol", "earlier");
    for (const { start, because } of view.earlier) {
      const item = element("li");
      item.append(element("b", "", dayClock(start, zone)));
      item.append(` ${because.length > 0 ? because.join(". ") : "It could start then; the plan costs less as it is"}.`);
      list.append(item);
    }
    made.push(element("h3", "", "Why not earlier"), list);
  }
  if (view.slack) {
    const { in_place: inPlace, for_date: forDate } = view.slack;
    const list = element("dl", "facts");
    const start = step?.pieces?.[0]?.[0] ?? 0;
    const stays = inPlace > start ? `begun ${dayClock(inPlace, zone)} at the latest` : "not at all";
    list.append(line("With all else as it is", stays));
    if (forDate !== null) {
      list.append(line("For the house's date", `begun ${dayClock(forDate, zone)} at the latest, if from then on everybody came at once`));
    }
    made.push(element("h3", "", "How much later it may be"), list);
  }
  if (view.job_time.length > 0) {
    made.push(element("h3", "", "Until the house is finished"), timeSpent(view.job_time));
  }
  const needs = element("dl", "facts");
  const able = view.able_crews.map((key) => board.crews.find((crew) => crew.key === key)?.name ?? key);
  needs.append(line("Could do it", able.join(", ") || "no crew"));
  if (view.air) {
    needs.append(line("Air", view.air));
  }
  if (view.gear.length > 0) {
    needs.append(line("Gear", view.gear.join(", ")));
  }
  if (view.areas) {
    needs.append(line("Where", view.areas.join(", ")));
  }
  if (view.notes) {
    needs.append(line("Notes", view.notes));
  }
  made.push(element("h3", "", "What it needs"), needs);
  more.replaceChildren(...made);
}

/**
 * A difference in words: what moves, who is touched, what it costs.
 * @param {Model} model
 * @param {Difference} difference
 * @param {number} [anyway] steps that move in any case
 * @returns {HTMLElement[]}
 */
export function differenceInWords(model, difference, anyway = 0) {
  const { board } = model;
  const made = [];
  const { moved, added, dropped, crews_touched: crews, houses_touched: houses } = difference;
  const crewNames = crews.map((key) => board.crews.find((crew) => crew.key === key)?.name ?? key);
  const sum = element("p", "sum-up");
  sum.append(element("b", "", moved.length + added.length + dropped.length === 0 ? "Nothing moves." : `${counted(moved.length, "step")} moved`));
  sum.append([
    added.length > 0 ? `, ${added.length} new` : "", dropped.length > 0 ? `, ${dropped.length} out of the plan` : "",
    crews.length > 0 ? `, for ${crewNames.join(", ")}` : "", houses.length > 0 ? `; customers of ${counted(houses.length, "house")} to be told.` : "",
  ].join(""));
  made.push(sum, costs(difference));
  if (anyway > 0) {
    const text = `${counted(anyway, "more step")} ${anyway === 1 ? "moves" : "move"} in any case: as things stand, not all that is promised can stay.`;
    made.push(element("p", "aside", text));
  }
  const before = new Set((difference.unplaced_before ?? []).map((one) => `${one.job}/${one.step}`));
  const lost = (difference.unplaced ?? []).filter((one) => !before.has(`${one.job}/${one.step}`));
  for (const one of lost.slice(0, 5)) {
    made.push(element("p", "warn", `${one.step_name ?? one.step} would have no place: ${one.what ?? ""}. To cure it: ${one.cure ?? ""}.`));
  }
  const finishes = difference.houses.filter((house) => house.before && house.after).map((house) => {
    const by = minuteOf(house.after ?? "") - minuteOf(house.before ?? "");
    return element("li", by > 0 ? "worse" : "better", `${house.house_name} is finished ${shiftText(by)}`);
  });
  if (finishes.length > 0) {
    const list = element("ul", "finishes");
    list.append(...finishes.slice(0, CHANGES_MAX));
    made.push(element("h3", "", "Houses"), list);
  }
  const list = element("ul", "changes");
  for (const change of [...moved, ...added, ...dropped].slice(0, CHANGES_MAX)) {
    const item = element("li");
    item.append(element("b", "", `${change.step_name} at ${change.house_name}`), element("span", "", fromTo(model, change)));
    list.append(item);
  }
  if (list.children.length > 0) {
    made.push(element("h3", "", "Steps"), list);
  }
  return made;
}

/**
 * @param {Model} model
 * @param {import("./question.js").StepChange} change
 */
function fromTo(model, change) {
  const zone = model.board.time_zone;
  /** @param {import("./question.js").PlacedAt | null} placed */
  const at = (placed) => placed ? `${dayClock(minuteOf(placed.start), zone)}, ${placed.crew_name}` : "no place";
  if (change.before && change.after) {
    const by = minuteOf(change.after.start) - minuteOf(change.before.start);
    const same = change.before.crew === change.after.crew;
    return `${at(change.before)} → ${at(change.after)} (${shiftText(by)}${same ? "" : ", another crew"})`;
  }
  return change.after ? `new: ${at(change.after)}` : `was ${at(change.before)}; not in the plan any more`;
}

const PARTS = /** @type {[string, string][]} */ ([
  ["unplaced", "steps without a place"], ["lateness", "lateness"], ["broken", "broken promises"], ["finish", "later finishes"],
  ["travel", "travel"], ["overtime", "overtime"], ["hand_overs", "hand-overs"],
]);

/** @param {Difference} difference */
function costs(difference) {
  const { cost_before: before, cost_after: after } = difference;
  const made = element("p", "costs");
  if (!before) {
    made.textContent = `Costs ${after.total} points; what was promised cannot be kept.`;
    return made;
  }
  const by = after.total - before.total;
  made.append(element("b", by > 0 ? "worse" : "better", by === 0 ? "It costs the same" : `It costs ${Math.abs(by)} points ${by > 0 ? "more" : "less"}`));
  const parts = PARTS.filter(([part]) => (after[part] ?? 0) !== (before[part] ?? 0)).map(([part, name]) => {
    const change = (after[part] ?? 0) - (before[part] ?? 0);
    return `${name} ${change > 0 ? "+" : "−"}${Math.abs(change)}`;
  });
  made.append(parts.length > 0 ? `: ${parts.join(", ")}.` : ".");
  return made;
}
