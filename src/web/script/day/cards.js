// The cards of the day's works: how each stands after what this phone has reported, its buttons, and which is next.

import { askRest, askTimes } from "./ask.js";
import { button, clock, make, must, now } from "./dom.js";
import { about, after, instant, report } from "./events.js";
import { openReadings } from "./readings.js";
import { Treatment, dwellOf } from "./treat.js";

/** @typedef {import("./queue.js").Entry} Entry */

/** Two taps of one glove are one: the next button stands where the last one stood. */
const CALM_MILLISECONDS = 900;

/** @type {Record<string, string>} */
const WORDS = { running: "running since", paused: "paused", failed: "did not pass", done: "✓ done", read: "readings taken" };

export class Cards {
  /**
   * @param {string} crew
   * @param {(entry: Entry) => void} tell
   */
  constructor(crew, tell) {
    this.crew = crew;
    this.calm = 0;
    /** @param {Entry} entry */
    this.tell = (entry) => {
      this.calm = performance.now() + CALM_MILLISECONDS;
      tell(entry);
    };
    /** @type {Map<string, Treatment>} */
    this.treatments = new Map();
    document.addEventListener(
      "click",
      (event) => {
        const inCard = event.target instanceof Element && event.target.closest(".task .acts");
        if (inCard && performance.now() < this.calm) {
          event.preventDefault();
          event.stopPropagation();
        }
      },
      true,
    );
    document.addEventListener("toggle", (event) => {
      const card = event.target;
      if (card instanceof HTMLDetailsElement && card.matches(".task") && card.open) card.dataset["opened"] = "";
    }, true);
  }

  /** @returns {HTMLDetailsElement[]} */
  all() {
    return [...document.querySelectorAll("details.task")].filter((card) => card instanceof HTMLDetailsElement);
  }

  /** @param {Entry} entry */
  of(entry) {
    return this.all().find((card) => card.dataset["job"] === entry.event.job && card.dataset["step"] === entry.event.step);
  }

  /** @param {Entry[]} entries */
  draw(entries) {
    this.treatments.clear();
    for (const card of this.all()) this.one(card, entries);
    this.order();
    this.tick();
  }

  /**
   * @param {HTMLDetailsElement} card
   * @param {Entry[]} entries
   */
  one(card, entries) {
    const { job, step } = about(card);
    const told = card.dataset["told"] ?? "open";
    const own = entries.filter(({ event }) => event.job === job && event.step === step);
    const { standing, at, unsent } = after(told, own);
    card.dataset["standing"] = standing;
    const words = card.querySelector("[data-standing-words]");
    if (words instanceof HTMLElement) {
      words.dataset["words"] ??= words.textContent ?? "";
      const changed = at && WORDS[standing] ? `${WORDS[standing]} ${clock(at)}${unsent ? " · not sent yet" : ""}` : words.dataset["words"];
      if (words.textContent !== changed) words.textContent = changed;
    }
    card.querySelector(".inner > .acts")?.replaceChildren(...this.acts(card, standing));
  }

  /**
   * @param {HTMLDetailsElement} card
   * @param {string} standing
   * @returns {HTMLElement[]}
   */
  acts(card, standing) {
    const what = about(card);
    const say = (/** @type {string} */ kind) => () => this.tell(report(kind, this.crew, what));
    const isCheck = "isCheck" in card.dataset;
    if (card.closest(".next-day")) return [];
    const dwell = dwellOf(card);
    if (dwell) {
      const treatment = new Treatment(this.crew, card, dwell, this.tell, () => this.redraw(card));
      if (treatment.state) {
        this.treatments.set(card.id, treatment);
        return [treatment.draw()];
      }
      if (standing === "open") return [button("go", "Start, section by section", () => treatment.start()), button("", "Start without clocks", say("step_started")), this.late(card)];
    }
    if (isCheck && card.dataset["check"] && ["open", "running", "paused"].includes(standing)) {
      return [button("go", "Take readings", () => openReadings(this.crew, card, this.tell))];
    }
    switch (standing) {
      case "open":
        return [button("go", "Start", say("step_started")), this.late(card)];
      case "paused":
        return [button("go", "Go on", say("step_started"))];
      case "running": {
        if (isCheck) return [button("go", "Passed", say("step_finished")), button("stop", "Did not pass", say("check_failed"))];
        const pause = button("stop", "Pause", () => askRest(what.name, (minutes) => this.tell(report("step_paused", this.crew, what, { remaining_minutes: minutes }))));
        return [button("go", "Finish", say("step_finished")), ..."dividable" in card.dataset ? [pause] : []];
      }
      default:
        return [];
    }
  }

  /** @param {HTMLDetailsElement} card */
  late(card) {
    const what = about(card);
    return button("late", "It is done already …", () => {
      const planned = Date.parse(card.dataset["start"] ?? "");
      const began = Math.min(planned, now() - 60_000);
      const times = /** @type {{name: "began" | "at", label: string, at: number}[]} */ ([
        { name: "began", label: "Began", at: began },
        { name: "at", label: "Ended", at: Math.max(began + 60_000, Math.min(Date.parse(card.dataset["finish"] ?? ""), now())) },
      ]);
      askTimes(`${what.name}, ${what.house}`, times, ({ began, at }) => {
        const started = began === undefined ? {} : { started_at: instant(began) };
        this.tell(report("step_finished", this.crew, what, started, at));
      });
    });
  }

  /** @param {HTMLDetailsElement} card */
  redraw(card) {
    const treatment = this.treatments.get(card.id);
    if (treatment?.state) card.querySelector(".inner > .acts")?.replaceChildren(treatment.draw());
    this.tick();
  }

  tick() {
    for (const treatment of this.treatments.values()) treatment.tick();
  }

  /** What is over goes down; of the rest what runs, or else the first, comes to the top and stands open. */
  order() {
    const [todo, over] = [must("#todo"), must("#over")];
    const open = this.all().filter((card) => todo.contains(card));
    for (const card of open) {
      if (["done", "failed", "read"].includes(card.dataset["standing"] ?? "") && !this.treatments.has(card.id)) {
        card.open = false;
        over.append(card);
      }
    }
    const section = over.closest("section");
    if (section) section.hidden = over.childElementCount === 0;
    const left = this.all().filter((card) => todo.contains(card));
    const treating = this.all().find((card) => this.treatments.has(card.id));
    const running = left.find((card) => card.dataset["standing"] === "running");
    const next = treating ?? running ?? left[0];
    for (const card of this.all()) card.classList.toggle("next", card === next);
    for (const card of left) {
      if (card !== next && !("opened" in card.dataset)) card.open = false;
    }
    if (next) {
      if (todo.firstElementChild !== next) todo.prepend(next);
      if (!("opened" in next.dataset)) next.open = true;
    }
    todo.querySelector(".empty")?.remove();
    if (!next && over.childElementCount > 0) todo.append(make("p.empty", {}, "All of today is done."));
  }
}
