// A treatment section by section: when part A and part B begin and end, and the dwell between them with its two alarms,
// not before and not after. What has been rolled stays on the phone; the server replans the rest where there is a net.

import { json } from "../request.js";
import { ring, stop } from "./alarm.js";
import { button, clock, keep, kept, length, make, now } from "./dom.js";
import { about, instant, report } from "./events.js";

/**
 * @typedef {import("./queue.js").Entry} Entry
 *
 * @typedef {object} Section
 * @property {number} [a_from]
 * @property {number} [a_until]
 * @property {number} [b_from]
 * @property {number} [b_until]
 * @property {boolean} [wet] it was too dry and is wet again
 *
 * @typedef {object} State
 * @property {number} started
 * @property {boolean} a_told part A is reported done
 * @property {Section[]} sections
 * @property {any} plan the server's, as it was when the crew began
 * @property {any} [rest] the server's plan of the rest
 *
 * @typedef {{step_a: string, step_b: string, min_minutes: number, max_minutes: number | null}} Dwell
 */

const MINUTE = 60_000;

/**
 * @param {string} crew
 * @param {HTMLElement} card
 */
const keyOf = (crew, card) => `tackfree.day.treat.${crew}.${card.dataset["job"]}.${card.dataset["step"]}`;

/** @param {HTMLElement} card @returns {Dwell | null} of the card of part A */
export function dwellOf(card) {
  /** @type {Dwell | null} */
  const dwell = JSON.parse(card.dataset["dwell"] ?? "null");
  return dwell && dwell.step_a === card.dataset["step"] ? dwell : null;
}

export class Treatment {
  /**
   * @param {string} crew
   * @param {HTMLElement} card
   * @param {Dwell} dwell
   * @param {(entry: Entry) => void} tell
   * @param {() => void} drawn called when buttons have to be drawn anew
   */
  constructor(crew, card, dwell, tell, drawn) {
    this.crew = crew;
    this.card = card;
    this.dwell = dwell;
    this.tell = tell;
    this.drawn = drawn;
    this.key = keyOf(crew, card);
    /** As it was planned. @type {any} */
    this.plan = this.state?.plan ?? JSON.parse(card.dataset["sections"] ?? "null");
  }

  /** @returns {State | null} */
  get state() {
    return kept(this.key, /** @type {State | null} */ (null));
  }

  start() {
    const count = Math.max(1, this.plan?.sections?.length ?? 1);
    const started = now();
    keep(this.key, { started, a_told: false, plan: this.plan, sections: Array.from({ length: count }, () => ({})) });
    this.tell(report("step_started", this.crew, about(this.card), {}, started));
  }

  /** Part B is a step of its own. */
  partB() {
    const card = document.querySelector(`[data-job="${this.card.dataset["job"]}"][data-step="${this.dwell.step_b}"]`);
    const own = about(this.card);
    const name = card instanceof HTMLElement ? about(card).name : "part B";
    return { ...own, step: this.dwell.step_b, name };
  }

  /**
   * @param {number} index
   * @param {"a_from" | "a_until" | "b_from" | "b_until" | "wet"} what
   */
  did(index, what) {
    const state = this.state;
    const section = state?.sections[index];
    if (!state || !section) return;
    const at = now();
    /** @type {Entry[]} */
    const told = [];
    if (what === "wet") {
      this.quiet(index, section);
      state.sections[index] = { a_from: at, wet: true };
    } else {
      if (what === "b_from") this.quiet(index, section);
      const firstB = what === "b_from" && !state.sections.some(({ b_from }) => b_from);
      section[what] = at;
      const all = (/** @type {"a_until" | "b_until"} */ end) => state.sections.every((one) => one[end]);
      if (what === "a_until" && section.wet && state.a_told && section.a_from) {
        told.push(report("re_wet", this.crew, about(this.card), { started_at: instant(section.a_from) }, at));
      }
      if (what === "a_until" && !state.a_told && all("a_until")) {
        state.a_told = true;
        told.push(report("step_finished", this.crew, about(this.card), {}, at));
      }
      if (firstB) told.push(report("step_started", this.crew, this.partB(), {}, at));
      if (all("b_until")) told.push(report("step_finished", this.crew, this.partB(), {}, at));
    }
    const over = state.sections.every(({ b_until }) => b_until);
    keep(this.key, over ? null : state);
    for (const entry of told) this.tell(entry);
    this.drawn();
    if (!over) void this.replan();
  }

  /** Has the server replan what is left. */
  async replan() {
    const state = this.state;
    if (!state || !this.plan) return;
    const begun = state.sections.filter(({ a_from }) => a_from);
    const time = (/** @type {number | undefined} */ at) => (at ? instant(at) : undefined);
    const sections = begun.map(({ a_from, a_until, b_from, b_until }) => {
      return { a_from_at: time(a_from), a_until_at: time(a_until), b_from_at: time(b_from), b_until_at: time(b_until) };
    });
    const body = { step: this.dwell.step_a, people: this.plan.people, started_at: instant(state.started), sections };
    try {
      const rest = await json("POST", `/v1/jobs/${encodeURIComponent(this.card.dataset["job"] ?? "")}/treatment-plan`, body);
      const latest = this.state;
      if (latest) keep(this.key, { ...latest, rest });
      this.drawn();
    } catch {
      // Without a net the plan stays as it was; the dwell is kept by the clocks below all the same.
    }
  }

  /** @param {number} index @param {Section} section */
  ids(index, section) {
    return ["from", "last", "late"].map((which) => `${this.key}.${index}.${section.a_from}.${which}`);
  }

  /** @param {number} index @param {Section} section */
  quiet(index, section) {
    for (const id of this.ids(index, section)) stop(id);
  }

  /** @param {Section} section */
  window(section) {
    const from = (section.a_from ?? 0) + this.dwell.min_minutes * MINUTE;
    const until = this.dwell.max_minutes === null ? Infinity : (section.a_from ?? 0) + this.dwell.max_minutes * MINUTE;
    return { from, until };
  }

  /** Every second: countdowns and alarms. */
  tick() {
    const state = this.state;
    if (!state) return;
    state.sections.forEach((section, index) => {
      if (!section.a_from || section.b_from) return;
      const { from, until } = this.window(section);
      const at = now();
      const name = state.sections.length > 1 ? `Section ${index + 1}: part B` : "Part B";
      const [first, last, late] = this.ids(index, section);
      if (at >= from && at < until && first) ring(first, "now", `${name} may begin${until === Infinity ? "." : `, until ${clock(until, true)}.`}`);
      if (at >= until - MINUTE && at < until && last) ring(last, "late", `${name} must begin before ${clock(until, true)}.`);
      if (at >= until && late) ring(late, "late", `${name} is too late: the floor may be too dry. Wet it again with part A.`);
      const shown = this.card.querySelector(`[data-section="${index}"] .dwell`);
      if (shown instanceof HTMLElement) {
        const [phase, text] = at < from ? ["before", `Part B not before ${clock(from, true)}: ${length(from - at)}`] : at < until ? ["now", until === Infinity ? "Part B now" : `Part B now, not after ${clock(until, true)}: ${length(until - at)}`] : ["late", `Part B is ${length(at - until)} too late`];
        if (shown.textContent !== text) shown.textContent = text;
        shown.dataset["phase"] = phase;
        // Before its time it is no button to press without looking.
        this.card.querySelector(`[data-section="${index}"] .begin-b`)?.classList.toggle("go", phase !== "before");
      }
    });
  }

  /** The sections with their buttons. */
  draw() {
    const state = this.state;
    const panel = make("div.treatment");
    if (!state) return panel;
    const next = state.sections.findIndex(({ a_from }) => !a_from);
    state.sections.forEach((section, index) => panel.append(this.row(state, section, index, index === next)));
    const lines = state.rest?.lines ?? this.plan?.lines;
    if (lines) panel.append(make("details.told", {}, make("summary", {}, "Minute by minute"), make("ul", {}, ...lines.map((/** @type {string} */ line) => make("li", {}, line)))));
    return panel;
  }

  /**
   * @param {State} state
   * @param {Section} section
   * @param {number} index
   * @param {boolean} isNext
   */
  row(state, section, index, isNext) {
    const planned = state.rest?.sections?.[index] ?? this.plan?.sections?.[index];
    const floor = (planned?.floor ?? []).map((/** @type {any} */ part) => `${part.area} ${part.from_sqft}–${part.until_sqft} sq ft`).join(", ");
    const row = make("section.part", { "data-section": String(index) });
    row.append(make("h3", {}, state.sections.length > 1 ? `Section ${index + 1} of ${state.sections.length}` : "Whole floor"));
    if (floor) row.append(make("p.aside", {}, floor));
    const acts = make("div.acts");
    const together = this.plan?.applicators === 2;
    const act = (/** @type {string} */ kind, /** @type {string} */ text, /** @type {"a_from" | "a_until" | "b_from" | "b_until" | "wet"} */ what) =>
      acts.append(button(kind, text, () => this.did(index, what)));
    const dwells = state.sections.some(({ a_from, b_from }) => a_from && !b_from);
    if (!section.a_from && isNext) act(dwells && !together ? "" : "go", "Part A begins", "a_from");
    if (section.a_from && !section.a_until) act("go", "Part A is rolled", "a_until");
    if (section.a_from && !section.b_from) {
      row.append(make("p.dwell"));
      if (section.a_until || together) act("begin-b", "Part B begins", "b_from");
      if (section.a_until) act("", "Too dry: wet again with A", "wet");
    }
    if (section.b_from && !section.b_until && section.a_until) act("go", "Part B is rolled", "b_until");
    if (section.b_until) row.append(make("p.aside", {}, "✓ done"));
    if (planned && !section.a_from) {
      const at = (/** @type {number} */ seconds) => clock(state.started + seconds * 1000, true);
      row.append(make("p.aside", {}, `Planned: A ${at(planned.a_from_seconds)}–${at(planned.a_until_seconds)}, B ${at(planned.b_from_seconds)}–${at(planned.b_until_seconds)}`));
    }
    row.append(acts);
    return row;
  }
}
