// One row of the board as elements: hours behind, waits, works, ghosts of a question, and its name.

import { element, lay } from "./dom.js";
import { dayClock, length } from "./dates.js";
import { houseOf, standing } from "./model.js";
import { kindClass, kindLetters, kindName, stateName, stepText, waitText } from "./words.js";

/** @typedef {import("./types.js").Row} Row */
/** @typedef {import("./types.js").Cell} Cell */
/** @typedef {import("./axis.js").Axis} Axis */
/** @typedef {import("./model.js").Model} Model */

/**
 * @typedef {object} Look
 * @property {Model} model
 * @property {Axis} axis
 * @property {number} from first minute that is drawn
 * @property {number} until
 * @property {import("./types.js").Ghost[]} ghosts
 * @property {Set<string>} moved `job/step` of what has moved a moment ago
 * @property {string} current id of the cell that the keyboard is on
 */

/** Where a row's works stand in it, pixels. */
const TOP = 5;
const HEIGHT = 26;

/**
 * @param {Look} look
 * @param {Row} row
 * @returns {HTMLElement[]} the row's name, and everything in it
 */
export function fill(look, row) {
  /** @type {HTMLElement[]} */
  const made = [name(look, row)];
  made.push(...(row.kind === "crew" ? hours(look, row) : air(look, row)));
  if (row.kind === "job") {
    made.push(...waits(look, row), ...marks(look, row));
  }
  const cells = look.axis.isNarrow ? row.days : row.cells;
  for (const cell of cells) {
    if (cell.end > look.from && cell.start < look.until) {
      made.push(look.axis.isNarrow ? dayCell(look, row, cell) : workCell(look, row, cell));
    }
  }
  made.push(...ghosts(look, row));
  return made;
}

/**
 * @param {Look} look
 * @param {number} start
 * @param {number} end
 * @param {string} className
 * @param {string} [text]
 */
function bar(look, start, end, className, text = "") {
  const [from, until] = [Math.max(start, look.from), Math.min(end, look.until)];
  const made = lay(element("div", className), look.axis.x(from), look.axis.between(from, until));
  made.setAttribute("aria-hidden", "true");
  if (text && look.axis.between(from, until) > text.length * 6.2) {
    made.append(element("span", "label", text));
  }
  return made;
}

/**
 * @param {Look} look
 * @param {import("./types.js").Span[]} spans
 * @param {string} className
 * @param {string} [text]
 */
function bars(look, spans, className, text) {
  const seen = spans.filter(([start, end]) => end > look.from && start < look.until);
  return seen.map(([start, end]) => bar(look, start, end, className, text));
}

/**
 * A crew's hours: when it works, when it is away, when it has fewer people.
 * @param {Look} look
 * @param {Row} row
 */
function hours(look, row) {
  const crew = look.model.board.crews[row.index];
  if (!crew) {
    return [];
  }
  const short = crew.short.flatMap(([start, end, people]) =>
    bars(look, [[start, end]], "short", `${people} of ${crew.people} people`));
  return [
    ...bars(look, crew.works, "open"), ...bars(look, crew.overtime, "open overtime"),
    ...bars(look, crew.away, "away", "away"), ...short,
  ];
}

/**
 * When a house is closed, and when its air is not fit.
 * @param {Look} look
 * @param {Row} row
 */
function air(look, row) {
  const house = look.model.board.houses[look.model.board.jobs[row.index]?.house ?? -1];
  return house ? [...bars(look, house.shut, "shut", "air not fit"), ...bars(look, house.closed, "closed", "closed")] : [];
}

/**
 * @param {Look} look
 * @param {Row} row
 */
function waits(look, row) {
  const { board } = look.model;
  /** @type {HTMLElement[]} */
  const made = [];
  for (const number of row.waits) {
    const wait = board.waits[number];
    const last = wait && Math.max(wait.latest ?? 0, wait.end ?? 0, wait.ready ?? Infinity);
    if (!wait || wait.start > look.until || (last ?? 0) < look.from) {
      continue;
    }
    const tip = waitText(board, wait, houseOf(board, wait.from)?.time_zone ?? board.time_zone);
    /** @param {HTMLElement} part */
    const push = (part) => {
      part.title = tip;
      made.push(part);
    };
    const ready = wait.ready ?? look.until;
    if (wait.kind === "dwell") {
      push(bar(look, wait.start, wait.latest ?? ready, "lag dwell"));
      continue;
    }
    if (wait.kind !== "window" && ready > wait.start) {
      const text = wait.keep_off ? "keep off" : wait.kind === "drying" ? "dries" : "pause";
      push(bar(look, wait.start, ready, `lag ${wait.kind}${wait.keep_off ? " keep-off" : ""}`, text));
    }
    if (wait.end !== undefined && wait.end > ready) {
      push(bar(look, ready, wait.end, "lag idle", "ready"));
    }
    if (wait.latest !== undefined && wait.latest > ready) {
      push(bar(look, ready, wait.latest, `lag window${wait.lapses ? " lapses" : ""}`));
    }
  }
  return made;
}

/**
 * A job's date, and what holds it.
 * @param {Look} look
 * @param {Row} row
 */
function marks(look, row) {
  const job = look.model.board.jobs[row.index];
  const made = [];
  if (job?.on_hold) {
    made.push(bar(look, look.from, look.until, "held", "On hold: nothing of it is planned"));
  }
  if (job && job.due !== null && job.due > look.from && job.due < look.until) {
    const late = job.finish !== null && job.finish > job.due;
    const due = lay(element("div", late ? "due late" : "due"), look.axis.x(job.due), 2);
    due.append(element("span", "", "due"));
    due.setAttribute("aria-hidden", "true");
    made.push(due);
    if (late && job.finish !== null) {
      made.push(bar(look, job.due, job.finish, "overrun"));
    }
  }
  return made;
}

/**
 * A piece of work, wide enough to be read.
 * @param {Look} look
 * @param {Row} row
 * @param {Cell} cell
 */
function workCell(look, row, cell) {
  const { board } = look.model;
  const step = board.steps[cell.step];
  const made = cellElement(look, cell);
  if (!step) {
    return made;
  }
  const width = Math.max(look.axis.between(cell.start, cell.end), 6);
  lay(made, look.axis.x(cell.start), width);
  made.style.setProperty("top", `${TOP + (HEIGHT * cell.lane) / cell.lanes}px`);
  made.style.setProperty("height", `${HEIGHT / cell.lanes}px`);
  const unreported = step.state === "planned" && cell.end <= board.now;
  made.classList.add("work-cell", kindClass(step.kind), `is-${step.state}`, cell.lanes > 1 ? "half" : "whole");
  for (const [name, on] of /** @type {[string, boolean][]} */ ([
    ["is-presumed", step.presumed ?? false], ["is-pinned", step.pin !== undefined], ["is-unreported", unreported],
    ["is-leaving", isLeaving(look, step)], ["has-moved", isMoved(look, cell)], ["is-try", cell.what === "try"], ["is-slim", width < 30],
  ])) {
    made.classList.toggle(name, on);
  }
  if (cell.what === "try") {
    const failed = step.tries?.find((tried) => tried.start === cell.start)?.failed;
    made.setAttribute("aria-label", `${step.name}: ${failed ? "failed" : "left before its end"}, ${place(look, row, cell)}`);
    made.append(label(width < 60 ? "✕" : failed ? "✕ failed" : "✕ left"));
    return made;
  }
  made.setAttribute("aria-label", stepText(board, cell.step));
  made.title = stepText(board, cell.step);
  if (width >= 13) {
    made.append(label(width < 44 ? kindLetters(step.kind) : labelOf(look, row, cell)));
  }
  return made;
}

/**
 * What is written on a cell by the style, for the eye: the cell's name says more.
 * @param {string} text
 * @param {string} [className]
 */
function label(text, className = "label") {
  const made = element("span", className);
  made.dataset.label = text;
  return made;
}

/**
 * @param {Look} look
 * @param {Row} row
 * @param {Cell} cell
 */
function place(look, row, cell) {
  const { board } = look.model;
  return row.kind === "crew" ? (houseOf(board, cell.step)?.name ?? "") : (board.crews[board.steps[cell.step]?.crew ?? -1]?.name ?? "");
}

/**
 * @param {Look} look
 * @param {Row} row
 * @param {Cell} cell
 */
function labelOf(look, row, cell) {
  const step = look.model.board.steps[cell.step];
  const done = step?.state === "done" ? "✓ " : "";
  return row.kind === "crew" ? `${done}${place(look, row, cell)} · ${step?.name}` : `${done}${step?.name} · ${place(look, row, cell)}`;
}

/**
 * All of a day, where a day is narrow: kinds one above the other, and the letters of the last.
 * @param {Look} look
 * @param {Row} row
 * @param {Cell} cell
 */
function dayCell(look, row, cell) {
  const { board } = look.model;
  const made = cellElement(look, cell);
  const start = board.days.findLast((one) => one.start <= cell.start)?.start ?? cell.start;
  lay(made, look.axis.x(start) + 1.5, look.axis.perDay - 3);
  made.style.setProperty("top", `${TOP}px`);
  made.style.setProperty("height", `${HEIGHT}px`);
  const steps = [...new Set(cell.steps)].flatMap((number) => board.steps[number] ?? []);
  const done = steps.every((step) => step.state === "done");
  made.classList.add("day-cell", done ? "is-done" : "is-planned");
  made.classList.toggle("has-moved", cell.steps.some((step) => isMoved(look, { ...cell, step })));
  made.classList.toggle("is-leaving", steps.some((step) => isLeaving(look, step)));
  made.classList.toggle("is-try", cell.what === "try");
  made.classList.toggle("is-pinned", steps.some((step) => step.pin));
  const kinds = [...new Set(steps.map((step) => step.kind))];
  kinds.slice(-4).forEach((kind) => made.append(element("i", kindClass(kind))));
  const letters = cell.what === "try" ? "✕" : kindLetters(kinds.at(-1) ?? "other");
  made.append(label(letters, "letters"));
  const text = steps.map((step) => `${step.name} (${kindName(step.kind)}), ${stateName(step, board.now)}`);
  const where = row.kind === "crew" ? [...new Set(cell.steps.map((step) => houseOf(board, step)?.name))].join(", ") : place(look, row, cell);
  made.title = `${dayClock(cell.start, board.time_zone)}, ${where}: ${text.join("; ")}`;
  made.setAttribute("aria-label", made.title);
  return made;
}

/**
 * @param {Look} look
 * @param {Cell} cell
 */
function cellElement(look, cell) {
  const made = element("div", "cell");
  made.setAttribute("role", "gridcell");
  made.tabIndex = cell.id === look.current ? 0 : -1;
  made.dataset.cell = cell.id;
  return made;
}

/**
 * @param {Look} look
 * @param {Cell} cell
 */
function isMoved(look, cell) {
  const step = look.model.board.steps[cell.step];
  return step !== undefined && look.moved.has(`${look.model.board.jobs[step.job]?.key}/${step.key}`);
}

/**
 * Whether the answer to a question has the step elsewhere.
 * @param {Look} look
 * @param {import("./types.js").Step} step
 */
function isLeaving(look, step) {
  const job = look.model.board.jobs[step.job]?.key;
  return look.ghosts.some((ghost) => ghost.step === step.key && ghost.job === job);
}

/**
 * Where a question's answer has steps of this row.
 * @param {Look} look
 * @param {Row} row
 */
function ghosts(look, row) {
  const { board } = look.model;
  const key = row.kind === "crew" ? board.crews[row.index]?.key : board.jobs[row.index]?.key;
  const own = look.ghosts.filter((ghost) => ghost.crew !== null && (row.kind === "crew" ? ghost.crew : ghost.job) === key);
  return own.filter((ghost) => ghost.end > look.from && ghost.start < look.until).map((ghost) => {
    const step = board.steps.find((one) => one.key === ghost.step && board.jobs[one.job]?.key === ghost.job);
    const made = bar(look, ghost.start, ghost.end, `ghost ${kindClass(step?.kind ?? "other")}`, step?.name ?? "");
    made.style.setProperty("min-width", "7px");
    return made;
  });
}

/**
 * The head of a row.
 * @param {Look} look
 * @param {Row} row
 */
function name(look, row) {
  const made = element("div", "name");
  made.setAttribute("role", "rowheader");
  const { board } = look.model;
  if (row.kind === "crew") {
    const crew = board.crews[row.index];
    made.append(element("b", "", crew?.name), element("span", "sub", `${crew?.people} people`));
    return made;
  }
  const job = board.jobs[row.index];
  const house = board.houses[job?.house ?? -1];
  const flags = look.model.flags[row.index];
  made.append(element("b", "", house?.name), element("span", "sub", standing(look.model, row.index)));
  made.title = job?.name ?? "";
  const chips = element("span", "chips");
  if (flags?.hold) {
    chips.append(element("span", "chip hold", "on hold"));
  }
  if (flags?.failed) {
    chips.append(element("span", "chip failed", "✕ check failed"));
  }
  if (flags?.unplanned) {
    chips.append(element("span", "chip failed", "no place"));
  }
  if (flags?.late) {
    chips.append(element("span", "chip late", `▲ ${length(roundedUp(job?.late_minutes ?? 0))} late`));
  }
  const percent = job && look.model.chances.get(job.key)?.in_time_percent;
  if (typeof percent === "number" && !flags?.late) {
    const chip = element("span", flags?.risk ? "chip risk" : "chip chance", `${Math.round(percent)} %`);
    chip.title = "Chance to make the date";
    chip.append(element("span", "unseen", " chance to make the date"));
    chips.append(chip);
  }
  made.append(chips);
  return made;
}

/** @param {number} minutes */
function roundedUp(minutes) {
  return minutes > 1440 ? Math.ceil(minutes / 1440) * 1440 : minutes;
}

