// Tables of how much time goes into what, a bar each.

import { length } from "./dates.js";
import { element } from "./dom.js";

/** @typedef {{reason: string, minutes: number, jobs: number}} TimeSpent */

const REASONS = /** @type {Record<string, string>} */ ({
  work: "Work",
  not_yet: "May not begin yet",
  floor: "The floor dries or is taken",
  hours: "Nobody is at work",
  access: "The house is closed",
  air: "The air is not fit",
  crew: "Waiting for a crew",
  gear: "Waiting for gear",
  order: "The plan takes its time",
});

/**
 * Where time goes, with a bar each.
 * @param {TimeSpent[]} reasons
 */
export function timeSpent(reasons) {
  const whole = reasons.reduce((sum, spent) => sum + spent.minutes, 0);
  return table(["Where the time goes", ""], reasons.map((spent) => ({
    name: REASONS[spent.reason] ?? spent.reason,
    told: length(spent.minutes),
    part: spent.minutes,
    whole,
  })));
}

/**
 * @param {string[]} titles of what it is, and of what is told
 * @param {{name: string, told: string, part: number, whole: number}[]} rows
 */
export function table(titles, rows) {
  const made = element("table", "loads");
  const head = element("tr");
  for (const title of [...titles, "Share"]) {
    const cell = element("th", "", title);
    cell.scope = "col";
    head.append(cell);
  }
  const body = element("tbody");
  for (const { name, told, part, whole } of rows) {
    const row = element("tr");
    const title = element("th", "", name);
    title.scope = "row";
    const share = element("td", "share");
    const percent = whole > 0 ? Math.round((part * 100) / whole) : 0;
    const bar = element("meter");
    Object.assign(bar, { min: 0, max: 100, value: percent });
    bar.setAttribute("aria-hidden", "true");
    // A figure space keeps the bars below each other.
    share.append(bar, `${String(percent).padStart(2, "\u2007")} %`);
    row.append(title, element("td", "", told), share);
    body.append(row);
  }
  const top = element("thead");
  top.append(head);
  made.append(top, body);
  return made;
}
