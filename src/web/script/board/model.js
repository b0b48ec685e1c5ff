// What the board's rows are: one for each crew, one for each job, from the same list of steps.

import { day } from "./dates.js";
import { kindName } from "./words.js";

/** @typedef {import("./types.js").Board} Board */
/** @typedef {import("./types.js").Cell} Cell */
/** @typedef {import("./types.js").Row} Row */
/** @typedef {import("./types.js").Chance} Chance */

/** Below this chance of making the date a house is at risk, percent. */
export const RISK_PERCENT = 80;

/** @typedef {{late: boolean, risk: boolean, failed: boolean, hold: boolean, unplanned: boolean, unreported: boolean}} Flags */

/**
 * @typedef {object} Model
 * @property {Board} board
 * @property {Row[]} crews
 * @property {Row[]} jobs
 * @property {Flags[]} flags by job
 * @property {Map<string, Chance>} chances by key of the job
 * @property {number[][]} stepsOfJob
 */

/**
 * @param {Board} board
 * @param {Chance[]} chances
 * @returns {Model}
 */
export function model(board, chances) {
  /** @type {number[][]} */
  const stepsOfJob = board.jobs.map(() => []);
  board.steps.forEach((step, number) => stepsOfJob[step.job]?.push(number));
  /** @type {number[][]} */
  const waitsOfJob = board.jobs.map(() => []);
  board.waits.forEach((wait, number) => waitsOfJob[board.steps[wait.from]?.job ?? -1]?.push(number));
  const known = new Map(chances.map((chance) => [chance.job, chance]));
  const dayOf = days(board);
  const crews = board.crews.map((crew, index) => {
    const cells = cellsOf(board, board.steps.map((_, number) => number), (step) => step.crew === index);
    return row(dayOf, "crew", index, crew.key, cells, [], crewText(board, index, cells));
  });
  const jobs = board.jobs.map((job, index) => {
    const cells = cellsOf(board, stepsOfJob[index] ?? [], () => true);
    return row(dayOf, "job", index, job.key, cells, waitsOfJob[index] ?? [], jobText(board, index, cells));
  });
  const flags = board.jobs.map((_, index) => flagsOf(board, index, stepsOfJob[index] ?? [], known));
  // What stands out comes first; then by name, as they come.
  jobs.sort((a, b) => urgency(flags[b.index]) - urgency(flags[a.index]) || a.index - b.index);
  return { board, crews, jobs, flags, chances: known, stepsOfJob };
}

/**
 * @param {Board} board
 * @returns {(minute: number) => number} which of the board's days
 */
function days(board) {
  const starts = board.days.map((one) => one.start);
  return (minute) => {
    let [low, high] = [0, starts.length];
    while (low < high) {
      const middle = (low + high) >> 1;
      if ((starts[middle] ?? 0) <= minute) {
        low = middle + 1;
      } else {
        high = middle;
      }
    }
    return low - 1;
  };
}

/**
 * @param {(minute: number) => number} dayOf
 * @param {"crew" | "job"} kind
 * @param {number} index
 * @param {string} key
 * @param {Cell[]} cells
 * @param {number[]} waits
 * @param {string} text
 * @returns {Row}
 */
function row(dayOf, kind, index, key, cells, waits, text) {
  // The same piece is in a crew's row and in a job's: two cells.
  cells.forEach((cell) => {
    cell.id = `${kind}:${cell.id}`;
  });
  lanes(cells);
  return { id: `${kind}/${key}`, kind, index, cells, days: byDay(dayOf, kind, key, cells), waits, text: text.toLowerCase() };
}

/**
 * @param {Board} board
 * @param {number[]} numbers
 * @param {(step: import("./types.js").Step) => boolean} wanted
 * @returns {Cell[]}
 */
function cellsOf(board, numbers, wanted) {
  /** @type {Cell[]} */
  const cells = [];
  for (const number of numbers) {
    const step = board.steps[number];
    const job = step && board.jobs[step.job];
    if (!step || !job) {
      continue;
    }
    const id = `${job.key}/${step.key}`;
    const base = { step: number, steps: [number], lane: 0, lanes: 1 };
    if (wanted(step)) {
      (step.pieces ?? []).forEach(([start, end], piece) => {
        cells.push({ ...base, id: piece === 0 ? id : `${id}/${piece}`, start, end, what: "work" });
      });
    }
    (step.tries ?? []).forEach((tried, piece) => {
      if (wanted({ ...step, crew: tried.crew })) {
        cells.push({ ...base, id: `${id}/try-${piece}`, start: tried.start, end: tried.finish, what: "try" });
      }
    });
  }
  return cells.sort((a, b) => a.start - b.start || a.end - b.end || a.step - b.step);
}

/**
 * Works that overlap share the height of their row: the two parts of a treatment do.
 * @param {Cell[]} cells
 */
function lanes(cells) {
  let from = 0;
  while (from < cells.length) {
    let until = from + 1;
    let end = cells[from]?.end ?? 0;
    while (until < cells.length && (cells[until]?.start ?? 0) < end) {
      end = Math.max(end, cells[until]?.end ?? 0);
      until += 1;
    }
    /** @type {number[]} */
    const ends = [];
    for (const cell of cells.slice(from, until)) {
      const free = ends.findIndex((busy) => busy <= cell.start);
      cell.lane = free < 0 ? ends.length : free;
      ends[cell.lane] = cell.end;
    }
    cells.slice(from, until).forEach((cell) => {
      cell.lanes = ends.length;
    });
    from = until;
  }
}

/**
 * One cell a day, for when days are narrow.
 * @param {(minute: number) => number} dayOf
 * @param {string} kind
 * @param {string} key
 * @param {Cell[]} cells
 * @returns {Cell[]}
 */
function byDay(dayOf, kind, key, cells) {
  /** @type {Cell[]} */
  const out = [];
  let last = Number.NaN;
  for (const cell of cells) {
    const date = dayOf(cell.start);
    const open = out.at(-1);
    if (date === last && open) {
      open.end = Math.max(open.end, cell.end);
      open.steps.push(cell.step);
      open.what = cell.what === "try" ? "try" : open.what;
      continue;
    }
    last = date;
    out.push({ ...cell, id: `${kind}/${key}/day-${date}`, steps: [cell.step], lane: 0, lanes: 1 });
  }
  return out;
}

/**
 * @param {Board} board
 * @param {number} index
 * @param {Cell[]} cells
 */
function crewText(board, index, cells) {
  const houses = new Set(cells.map((cell) => houseOf(board, cell.step)?.name ?? ""));
  return [board.crews[index]?.name, ...houses].join(" ");
}

/**
 * @param {Board} board
 * @param {number} index
 * @param {Cell[]} cells
 */
function jobText(board, index, cells) {
  const job = board.jobs[index];
  const house = job && board.houses[job.house];
  const words = new Set([job?.name, house?.name, house?.address ?? ""]);
  for (const cell of cells) {
    const step = board.steps[cell.step];
    words.add(step?.name).add(kindName(step?.kind ?? "")).add(board.crews[step?.crew ?? -1]?.name);
  }
  return [...words].join(" ");
}

/**
 * The house of a step.
 * @param {Board} board
 * @param {number} step
 */
export function houseOf(board, step) {
  const job = board.jobs[board.steps[step]?.job ?? -1];
  return job && board.houses[job.house];
}

/**
 * What stands out about a job.
 * @param {Board} board
 * @param {number} index
 * @param {number[]} steps
 * @param {Map<string, Chance>} chances
 * @returns {Flags}
 */
function flagsOf(board, index, steps, chances) {
  const job = board.jobs[index];
  const own = steps.map((number) => board.steps[number]);
  const percent = job ? chances.get(job.key)?.in_time_percent : null;
  const late = (job?.late_minutes ?? 0) > 0;
  return {
    late,
    risk: !late && typeof percent === "number" && percent < RISK_PERCENT,
    failed: own.some((step) => step && step.state !== "done" && step.tries?.at(-1)?.failed),
    hold: job?.on_hold ?? false,
    unplanned: own.some((step) => step?.state === "unplanned"),
    unreported: own.some((step) => step?.state === "planned" && (step.pieces?.at(-1)?.[1] ?? Infinity) <= board.now),
  };
}

/**
 * @param {Flags | undefined} flags
 * @returns {number} the higher, the sooner somebody has to look
 */
function urgency(flags) {
  const weights = /** @type {[keyof Flags, number][]} */ ([["unplanned", 32], ["failed", 16], ["late", 8], ["risk", 4], ["hold", 2], ["unreported", 1]]);
  return weights.reduce((sum, [flag, weight]) => sum + (flags?.[flag] ? weight : 0), 0);
}

/**
 * What a job is at: its running step, or what it waits for, or what comes next.
 * @param {Model} known
 * @param {number} index
 */
export function standing(known, index) {
  const { board } = known;
  const zone = board.houses[board.jobs[index]?.house ?? -1]?.time_zone ?? board.time_zone;
  const own = (known.stepsOfJob[index] ?? []).flatMap((number) => board.steps[number] ?? []);
  if (board.jobs[index]?.on_hold) {
    return "On hold: left out of plans";
  }
  const running = own.find((step) => step.state === "running");
  if (running) {
    return `Now: ${running.name}`;
  }
  const next = own.filter((step) => step.state === "planned" && step.pieces?.[0]);
  next.sort((a, b) => (a.pieces?.[0]?.[0] ?? 0) - (b.pieces?.[0]?.[0] ?? 0));
  const first = next[0];
  if (!first) {
    return own.every((step) => step.state === "done") ? "All done" : "Next step has no place";
  }
  return `Next: ${first.name}, ${day(first.pieces?.[0]?.[0] ?? 0, zone)}`;
}
