// Meter readings with one hand: area by area, digit by digit; the verdict comes from the server, at once where there is a
// net. What was entered stays on the phone until it is reported.

import { json } from "../request.js";
import { keyboard, keypad, sheet } from "./ask.js";
import { button, keep, kept, make, now } from "./dom.js";
import { about, instant, report } from "./events.js";

/**
 * @typedef {import("./queue.js").Entry} Entry
 *
 * @typedef {object} Area
 * @property {string} area
 * @property {number} area_sqft
 * @property {string | null} species
 * @property {number} needed
 *
 * @typedef {object} CheckSheet
 * @property {string} meter
 * @property {number} needed_per_1000_sqft
 * @property {number} points_max
 * @property {Area[]} areas
 * @property {unknown[]} species_shifts
 *
 * @typedef {object} Draft
 * @property {number} begun
 * @property {string} area the one that is read now
 * @property {Record<string, number[]>} taken in tenths of a percent
 */

/** 100 %, which no floor has, is the most a meter shows. */
const TENTHS_MAX = 1_000;
/** The verdict is asked for when the fingers rest. */
const REST_MILLISECONDS = 350;

const shown = (/** @type {number} */ tenths) => (tenths / 10).toFixed(1);

/**
 * @param {string} crew
 * @param {HTMLElement} card
 */
const keyOf = (crew, card) => `tackfree.day.readings.${crew}.${card.dataset["job"]}.${card.dataset["step"]}`;

/**
 * Puts readings of a report that was refused back on the sheet.
 * @param {string} crew
 * @param {HTMLElement} card
 * @param {Entry} entry
 */
export function takeBack(crew, card, entry) {
  /** @type {Draft} */
  const draft = { begun: Date.parse(entry.event.started_at ?? entry.at), area: "", taken: {} };
  for (const { area, mc_percent } of entry.event.readings ?? []) (draft.taken[area] ??= []).push(Math.round(mc_percent * 10));
  keep(keyOf(crew, card), draft);
}

/**
 * Opens the sheet of a check.
 * @param {string} crew
 * @param {HTMLElement} card
 * @param {(entry: Entry) => void} tell
 */
export function openReadings(crew, card, tell) {
  new Sheet(crew, card, tell).draw();
}

class Sheet {
  /**
   * @param {string} crew
   * @param {HTMLElement} card
   * @param {(entry: Entry) => void} tell
   */
  constructor(crew, card, tell) {
    this.crew = crew;
    this.card = card;
    this.tell = tell;
    /** @type {CheckSheet} */
    this.asked = JSON.parse(card.dataset["check"] ?? "{}");
    this.key = keyOf(crew, card);
    /** @type {Draft} */
    this.draft = kept(this.key, { begun: now(), area: "", taken: {} });
    if (!this.asked.areas.some(({ area }) => area === this.draft.area)) this.draft.area = this.unread()?.area ?? this.asked.areas[0]?.area ?? "";
    this.typed = 0;
    this.asking = 0;
    const { body, close } = sheet(`Readings, ${card.dataset["house"]}`, "readings");
    this.close = close;
    this.verdict = make("p.verdict", { role: "status" });
    this.areas = make("nav.areas", { "aria-label": "Areas" });
    this.taken = make("ul.taken", { "aria-label": "Readings of this area" });
    this.display = make("output.display", { "aria-label": "Reading" });
    this.send = button("main", "Report", () => this.report());
    this.wet = button("wet", "Plainly wet: did not pass", () => this.plainlyWet());
    const press = (/** @type {"enter" | "back" | number} */ key) => this.press(key);
    body.append(this.verdict, this.areas, this.taken, this.display, keypad("Take", press), make("div.ends", {}, this.wet, this.send));
    keyboard(body, press);
    this.judge();
  }

  /** @param {string} area */
  of(area) {
    return this.draft.taken[area] ?? [];
  }

  unread() {
    return this.asked.areas.find(({ area, needed }) => this.of(area).length < needed);
  }

  /** @param {"enter" | "back" | number} key */
  press(key) {
    if (key === "enter") return this.take();
    if (key !== "back") {
      const next = this.typed * 10 + key;
      this.typed = next <= TENTHS_MAX ? next : this.typed;
    } else if (this.typed > 0) this.typed = Math.floor(this.typed / 10);
    else this.drop(this.of(this.draft.area).length - 1);
    this.draw();
  }

  take() {
    const { area } = this.draft;
    if (this.typed === 0 || !area) return;
    this.draft.taken[area] = [...this.of(area), this.typed];
    this.typed = 0;
    const needed = this.asked.areas.find((one) => one.area === area)?.needed ?? 1;
    if (this.of(area).length === needed) this.draft.area = this.unread()?.area ?? area;
    this.changed();
  }

  /** @param {number} index */
  drop(index) {
    this.draft.taken[this.draft.area] = this.of(this.draft.area).filter((_, at) => at !== index);
    this.changed();
  }

  changed() {
    keep(this.key, this.draft);
    this.draw();
    this.judge();
  }

  draw() {
    const { area: current } = this.draft;
    this.display.textContent = this.typed === 0 ? "–" : `${shown(this.typed)} %`;
    const tab = (/** @type {Area} */ { area, needed }) => {
      const count = this.of(area).length;
      const made = button(count >= needed ? "area full" : "area", `${area} ${count}/${needed}`, () => {
        this.draft.area = area;
        this.typed = 0;
        this.draw();
      });
      made.setAttribute("aria-pressed", String(area === current));
      return made;
    };
    this.areas.replaceChildren(...this.asked.areas.map(tab));
    this.areas.querySelector("[aria-pressed=true]")?.scrollIntoView({ block: "nearest", inline: "center" });
    const chip = (/** @type {number} */ tenths, /** @type {number} */ index) => {
      const made = button("chip", `${shown(tenths)} ×`, () => this.drop(index));
      made.setAttribute("aria-label", `Take ${shown(tenths)} % out`);
      return make("li", {}, made);
    };
    const own = this.of(current).map(chip);
    this.taken.replaceChildren(...(own.length ? own : [make("li.aside", {}, "Type 84 for 8.4 %, then Take.")]));
    const missing = this.asked.areas.reduce((sum, { area, needed }) => sum + Math.max(0, needed - this.of(area).length), 0);
    this.send.disabled = missing > 0;
    this.send.textContent = missing > 0 ? `${missing} more to take` : "Report";
  }

  /** Asks the server what the readings come to; without a net nobody says. */
  judge() {
    clearTimeout(this.timer);
    const asking = ++this.asking;
    const say = (/** @type {string} */ text, /** @type {string} */ finding) => {
      if (asking !== this.asking) return;
      this.verdict.textContent = text;
      this.verdict.dataset["finding"] = finding;
    };
    if (this.asked.areas.every(({ area }) => this.of(area).length === 0)) return say("No readings yet.", "none");
    /** @type {number | undefined} */
    this.timer = setTimeout(async () => {
      const areas = this.asked.areas.map(({ area, area_sqft, species }) => {
        return { area, area_sqft, species, readings: this.of(area).map((tenths) => tenths / 10) };
      });
      const { meter, needed_per_1000_sqft, points_max, species_shifts } = this.asked;
      try {
        const question = { meter, needed_per_1000_sqft, points_max, species_shifts, areas };
        const { finding, in_words } = await json("POST", "/v1/calculations/meter-check", question);
        say(in_words, finding);
      } catch {
        say("Not judged yet: no word from the server. The readings are kept on this phone.", "none");
      }
    }, REST_MILLISECONDS);
  }

  /** @param {string} kind @param {Partial<import("./queue.js").Happened>} more */
  done(kind, more) {
    const at = now();
    const begun = this.card.dataset["standing"] === "running" ? {} : { started_at: instant(Math.min(this.draft.begun, at - 1_000)) };
    keep(this.key, null);
    this.close();
    this.tell(report(kind, this.crew, about(this.card), { ...begun, ...more }, at));
  }

  report() {
    const readings = this.asked.areas.flatMap(({ area }) => this.of(area).map((tenths) => ({ area, mc_percent: tenths / 10 })));
    this.done("readings_taken", { readings });
  }

  plainlyWet() {
    this.done("check_failed", {});
  }
}
