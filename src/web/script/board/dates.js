// Instants on a wall clock.

/** @typedef {{weekday: string, day: number, month: string, date: string, hour: number, minute: number}} Wall */

/** @type {Map<string, Intl.DateTimeFormat>} */
const formats = new Map();

/**
 * @param {string} zone
 * @returns {Intl.DateTimeFormat}
 */
function format(zone) {
  let known = formats.get(zone);
  if (!known) {
    known = new Intl.DateTimeFormat("en-GB", {
      timeZone: zone, weekday: "short", day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit",
      hourCycle: "h23",
    });
    formats.set(zone, known);
  }
  return known;
}

const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/**
 * @param {number} minute
 * @param {string} zone
 * @returns {Wall}
 */
export function wall(minute, zone) {
  /** @type {Record<string, string>} */
  const parts = {};
  for (const part of format(zone).formatToParts(minute * 60_000)) {
    parts[part.type] = part.value;
  }
  const month = (parts.month ?? "").slice(0, 3);
  const number = String(MONTHS.indexOf(month) + 1).padStart(2, "0");
  return {
    weekday: parts.weekday ?? "",
    day: Number(parts.day),
    month,
    date: `${parts.year}-${number}-${String(parts.day).padStart(2, "0")}`,
    hour: Number(parts.hour),
    minute: Number(parts.minute),
  };
}

/** @param {number} value */
const two = (value) => String(value).padStart(2, "0");

/**
 * Such as "07:30".
 * @param {number} minute
 * @param {string} zone
 */
export function clock(minute, zone) {
  const at = wall(minute, zone);
  return `${two(at.hour)}:${two(at.minute)}`;
}

/**
 * Such as "Mon 9 Mar".
 * @param {number} minute
 * @param {string} zone
 */
export function day(minute, zone) {
  const at = wall(minute, zone);
  return `${at.weekday} ${at.day} ${at.month}`;
}

/**
 * Such as "Mon 9 Mar 07:30".
 * @param {number} minute
 * @param {string} zone
 */
export function dayClock(minute, zone) {
  return `${day(minute, zone)} ${clock(minute, zone)}`;
}

/**
 * Such as "Mon 9 Mar 07:30–11:00".
 * @param {number} start
 * @param {number} end
 * @param {string} zone
 */
export function between(start, end, zone) {
  const [from, until] = [day(start, zone), day(end, zone)];
  return `${from} ${clock(start, zone)}–${from === until ? "" : `${until} `}${clock(end, zone)}`;
}

/**
 * Such as "45 min", "2 h 15 min" or "2 days 4 h".
 * @param {number} minutes
 */
export function length(minutes) {
  const whole = Math.max(0, Math.round(minutes));
  const [days, hours, rest] = [Math.floor(whole / 1440), Math.floor((whole % 1440) / 60), whole % 60];
  const parts = [];
  if (days > 0) {
    parts.push(days === 1 ? "1 day" : `${days} days`);
  }
  if (hours > 0) {
    parts.push(`${hours} h`);
  }
  if ((rest > 0 && days === 0) || parts.length === 0) {
    parts.push(`${rest} min`);
  }
  return parts.join(" ");
}

/**
 * An RFC 3339 instant as a minute.
 * @param {string} text
 */
export function minuteOf(text) {
  return Math.floor(Date.parse(text) / 60_000);
}

/**
 * RFC 3339 in UTC.
 * @param {number} minute
 */
export function instant(minute) {
  return new Date(minute * 60_000).toISOString().replace(".000Z", "Z");
}

/**
 * The minute at which a wall shows this date and time; where clocks go back, the first of the two.
 * @param {string} date such as 2026-03-09
 * @param {string} time such as 07:30
 * @param {string} zone
 */
export function atWall(date, time, zone) {
  const wanted = minuteOf(`${date}T${time}:00Z`);
  let guess = wanted;
  for (let round = 0; round < 3; round += 1) {
    const shown = wall(guess, zone);
    guess += wanted - minuteOf(`${shown.date}T${two(shown.hour)}:${two(shown.minute)}:00Z`);
  }
  const shown = wall(guess - 60, zone);
  return minuteOf(`${shown.date}T${two(shown.hour)}:${two(shown.minute)}:00Z`) === wanted ? guess - 60 : guess;
}
