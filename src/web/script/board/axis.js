// The one time axis of both views: minutes to pixels, days and hours above it, and the weather.

import { element, lay, svg } from "./dom.js";
import { clock, wall } from "./dates.js";

/** @typedef {import("./types.js").Board} Board */
/** @typedef {import("./types.js").Region} Region */
/** @typedef {"day" | "week" | "weeks"} Zoom */

/** Days that fill the width of the window. */
const DAYS = { day: 1, week: 7, weeks: 42 };
/** Where the working part of a day begins and ends, minutes, and how much of the day's width it gets: nights are narrower. */
const [DAWN, DUSK, DAYLIGHT] = [360, 1110, 0.84];
/** Days narrower than this have one cell each. */
const NARROW_PIXELS = 70;
/** Regions whose weather is drawn. */
const STRIPS_MAX = 2;
const STRIP_PIXELS = 46;

export class Axis {
  /**
   * @param {Board} board
   * @param {Zoom} zoom
   * @param {number} width of the window on the time, pixels
   */
  constructor(board, zoom, width) {
    this.board = board;
    this.zoom = zoom;
    this.from = board.days[0]?.start ?? board.now;
    this.until = board.until;
    const days = Math.min(DAYS[zoom], board.days.length);
    /** Pixels of a day. */
    this.perDay = Math.max(width, 320) / days;
    /** Whole width, pixels. */
    this.width = this.perDay * board.days.length;
    this.isNarrow = this.perDay < NARROW_PIXELS;
    this.regions = board.regions.slice(0, STRIPS_MAX);
    /** Height of days and weather, pixels. */
    this.height = 44 + this.regions.length * STRIP_PIXELS;
  }

  /**
   * Which of the days, and how long it is.
   * @param {number} index
   * @returns {{start: number, length: number}}
   */
  day(index) {
    const start = this.board.days[index]?.start ?? this.from;
    return { start, length: (this.board.days[index + 1]?.start ?? this.until) - start };
  }

  /** @param {number} minute */
  x(minute) {
    const days = this.board.days.length;
    if (minute <= this.from || minute >= this.until) {
      const by = minute <= this.from ? minute - this.from : minute - this.until;
      return (minute <= this.from ? 0 : this.width) + (by / 1440) * this.perDay;
    }
    // Days differ in length by an hour at most, so the guess is right or one off.
    let index = Math.min(Math.floor((minute - this.from) / 1440), days - 1);
    index -= minute < this.day(index).start ? 1 : 0;
    index += index + 1 < days && minute >= this.day(index + 1).start ? 1 : 0;
    const { start, length } = this.day(index);
    return (index + shareOf((minute - start) / length)) * this.perDay;
  }

  /** @param {number} x */
  minute(x) {
    if (x <= 0 || x >= this.width) {
      return (x <= 0 ? this.from : this.until) + ((x <= 0 ? x : x - this.width) / this.perDay) * 1440;
    }
    const index = Math.floor(x / this.perDay);
    const { start, length } = this.day(index);
    return start + partOf(x / this.perDay - index) * length;
  }

  /**
   * Pixels between two minutes.
   * @param {number} start
   * @param {number} end
   */
  between(start, end) {
    return this.x(end) - this.x(start);
  }
}

const [DAWN_PART, DUSK_PART, NIGHT] = [DAWN / 1440, DUSK / 1440, (1 - DAYLIGHT) / 2];

/** @param {number} part of the day's time @returns {number} of its width */
function shareOf(part) {
  if (part < DAWN_PART) {
    return (part / DAWN_PART) * NIGHT;
  }
  if (part < DUSK_PART) {
    return NIGHT + ((part - DAWN_PART) / (DUSK_PART - DAWN_PART)) * DAYLIGHT;
  }
  return 1 - NIGHT + ((part - DUSK_PART) / (1 - DUSK_PART)) * NIGHT;
}

/** @param {number} share of the day's width @returns {number} of its time */
function partOf(share) {
  if (share < NIGHT) {
    return (share / NIGHT) * DAWN_PART;
  }
  if (share < 1 - NIGHT) {
    return DAWN_PART + ((share - NIGHT) / DAYLIGHT) * (DUSK_PART - DAWN_PART);
  }
  return DUSK_PART + ((share - 1 + NIGHT) / NIGHT) * (1 - DUSK_PART);
}

/**
 * Columns behind all rows: one a day, with weekends and today marked.
 * @param {Axis} axis
 * @param {HTMLElement} ground
 */
export function drawGround(axis, ground) {
  const { board } = axis;
  const made = board.days.map(({ start }, index) => {
    const end = board.days[index + 1]?.start ?? board.until;
    const at = wall(start, board.time_zone);
    const free = at.weekday === "Sat" || at.weekday === "Sun";
    const today = start <= board.now && board.now < end;
    const classes = ["column", free ? "free" : "", today ? "today" : ""].filter(Boolean).join(" ");
    return lay(element("div", classes), axis.x(start), axis.x(end) - axis.x(start));
  });
  ground.replaceChildren(...made);
}

/**
 * Days, and where there is room hours.
 * @param {Axis} axis
 * @param {HTMLElement} head
 * @param {number} from
 * @param {number} until
 */
export function drawDays(axis, head, from, until) {
  const { board } = axis;
  const { perDay } = axis;
  /** @type {HTMLElement[]} */
  const made = [];
  board.days.forEach(({ start }, index) => {
    const end = board.days[index + 1]?.start ?? board.until;
    if (end < from || start > until) {
      return;
    }
    const at = wall(start, board.time_zone);
    const today = start <= board.now && board.now < end;
    const free = at.weekday === "Sat" || at.weekday === "Sun";
    const box = element("div", `date${today ? " today" : ""}${free ? " free" : ""}`);
    const narrow = perDay < 66;
    const when = element("span", "when-day");
    when.append(element("span", "weekday", perDay < 46 ? at.weekday.slice(0, 2) : at.weekday));
    when.append(element("span", "number", narrow ? String(at.day) : `${at.day} ${at.month}`));
    if (today && perDay >= 165) {
      when.append(element("span", "mark", "today"));
    }
    box.append(when);
    made.push(lay(box, axis.x(start), axis.x(end) - axis.x(start)));
    const every = perDay > 700 ? 60 : perDay > 130 ? 180 : 0;
    for (let minute = start + DAWN; every > 0 && minute <= start + DUSK; minute += every) {
      const text = clock(minute, board.time_zone);
      made.push(lay(element("div", "hour", perDay < 260 ? text.slice(0, 2) : text), axis.x(minute), axis.between(minute, minute + every)));
    }
  });
  head.replaceChildren(...made);
}

/**
 * The weather of the regions: temperature as a line, humidity as ground, and hours outside what finishes need marked.
 * @param {Axis} axis
 * @param {HTMLElement} sky
 * @param {number} from
 * @param {number} until
 */
export function drawSky(axis, sky, from, until) {
  sky.replaceChildren(...axis.regions.map((region) => strip(axis, region, from, until)));
}

/**
 * @param {Axis} axis
 * @param {Region} region
 * @param {number} from
 * @param {number} until
 */
function strip(axis, region, from, until) {
  const [left, right] = [Math.max(axis.x(from), 0), Math.min(axis.x(until), axis.width)];
  const box = element("div", "strip");
  box.append(lay(element("div", "rule"), left, right - left));
  const drawn = svg("svg", { width: right - left, height: STRIP_PIXELS, class: "air", "aria-hidden": "true" });
  drawn.style.setProperty("left", `${left}px`);
  const first = Math.max(0, Math.floor((from - region.start) / 60));
  const last = Math.min(region.rh_percent.length - 1, Math.ceil((until - region.start) / 60));
  const step = axis.perDay < 48 ? 3 : 1;
  /** @type {string[]} */
  const damp = [];
  /** @type {string[]} */
  const warm = [];
  /** @param {number} hour */
  const x = (hour) => (axis.x(region.start + hour * 60) - left).toFixed(1);
  for (let hour = first; hour <= last; hour += step) {
    damp.push(`${x(hour)},${(STRIP_PIXELS - 2 - ((region.rh_percent[hour] ?? 0) / 100) * 26).toFixed(1)}`);
    warm.push(`${x(hour)},${(STRIP_PIXELS - 6 - (((region.temp_deci_c[hour] ?? 0) / 10 + 15) / 55) * 34).toFixed(1)}`);
  }
  const floor = STRIP_PIXELS - 1;
  drawn.append(svg("polygon", { class: "humidity", points: `${x(first)},${floor} ${damp.join(" ")} ${x(last)},${floor}` }));
  const marks = /** @type {[import("./types.js").Span[], string][]} */ ([[region.damp, "damp"], [region.cold, "cold"]]);
  for (const [spans, name] of marks) {
    const y = name === "cold" ? 0 : 5;
    for (const [start, end] of spans.filter((span) => span[1] > from && span[0] < until)) {
      drawn.append(svg("rect", { class: name, x: axis.x(start) - left, y, width: axis.between(start, end), height: 4 }));
    }
  }
  drawn.append(svg("polyline", { class: "warmth", points: warm.join(" ") }));
  if (region.forecast_until !== null && region.forecast_until < until) {
    const at = Math.max(0, axis.x(region.forecast_until) - left);
    drawn.append(svg("rect", { class: "guess", x: at, y: 0, width: right - left - at, height: STRIP_PIXELS }));
  }
  box.append(drawn, ...numbers(axis, region, from, until));
  return box;
}

/**
 * Each day's temperatures and humidity in figures, where there is room.
 * @param {Axis} axis
 * @param {Region} region
 * @param {number} from
 * @param {number} until
 */
function numbers(axis, region, from, until) {
  const { board, perDay } = axis;
  if (perDay < 90) {
    return [];
  }
  const [every, first, last] = perDay > 700 ? [180, DAWN, DUSK] : [1440, 0, 1];
  const made = [];
  for (const { start } of board.days) {
    for (let minute = start + first; minute < start + last; minute += every) {
      const hour = Math.round((minute - region.start) / 60);
      const temps = region.temp_deci_c.slice(hour, hour + every / 60);
      if (minute + every < from || minute > until || temps.length === 0) {
        continue;
      }
      const damps = region.rh_percent.slice(hour, hour + every / 60);
      const [low, high] = [Math.min(...temps), Math.max(...temps)].map((deci) => Math.round(deci / 10));
      const mean = Math.round(damps.reduce((sum, one) => sum + one, 0) / damps.length);
      const text = low === high ? `${low} °C` : `${low} to ${high} °C`;
      made.push(lay(element("div", "figures", `${text}, ${mean} %`), axis.x(minute), axis.between(minute, minute + every)));
    }
  }
  return made;
}
