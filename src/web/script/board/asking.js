// A question or a proposed repair in the panel: shown, and then kept or dropped.

import { json } from "../request.js";
import { element } from "./dom.js";
import { houseOf } from "./model.js";
import * as panel from "./panel.js";
import * as question from "./question.js";
import { button, complain, say } from "./say.js";
import { counted } from "./words.js";

/** @typedef {import("./model.js").Model} Model */
/** @typedef {import("./question.js").Question} Question */
/** @typedef {import("./question.js").Difference} Difference */

/** Reasons told of a repair. */
const REASONS_MAX = 8;

export class Asking {
  /**
   * @param {() => Model} model
   * @param {boolean} isOffice whether this visitor may keep anything
   * @param {(ghosts: import("./types.js").Ghost[]) => void} ghost
   * @param {() => void} close
   * @param {() => Promise<void>} reload
   */
  constructor(model, isOffice, ghost, close, reload) {
    this.model = model;
    this.isOffice = isOffice;
    this.ghost = ghost;
    this.close = close;
    this.reload = reload;
  }

  /**
   * @param {number} step
   * @param {{crew?: string | undefined, start?: string, day?: string}} to
   */
  async ask(step, to) {
    const { board } = this.model();
    const { body, isOpen } = panel.open(`What if ${board.steps[step]?.name} at ${houseOf(board, step)?.name} were there?`);
    body.append(element("p", "aside", "Planning it …"));
    try {
      const fixes = Object.fromEntries(Object.entries(to).filter(([, value]) => value));
      const found = await question.ask(board, step, fixes);
      if (isOpen()) {
        this.answer(body, found);
      }
    } catch (error) {
      if (isOpen()) {
        body.replaceChildren(element("p", "warn", complain(error)));
      }
    }
  }

  /** @param {HTMLElement} body @param {Question} found */
  answer(body, found) {
    this.ghost(question.ghostsOf(found.due));
    const buttons = element("div", "buttons");
    const keep = button("Accept", "main", () => {
      keep.disabled = true;
      keep.textContent = "Keeping it …";
      return this.keep(body, found);
    });
    const drop = button("Drop", "", () => this.close());
    buttons.append(...(this.isOffice ? [keep, drop] : [drop]));
    body.replaceChildren(...panel.differenceInWords(this.model(), found.due, found.anyway), buttons);
    say(`${counted(found.due.moved.length, "step")} would move. Accept or drop it in the panel.`);
    (this.isOffice ? keep : drop).focus();
  }

  /** @param {HTMLElement} body @param {Question} found */
  async keep(body, found) {
    try {
      const done = await question.accept(found);
      if (done.kind === "differs") {
        this.differs(body, found, done);
        return;
      }
      this.close();
      await this.reload();
      say(done.text);
    } catch (error) {
      const stale = error && typeof error === "object" && "status" in error && error.status === 412;
      const text = stale ? "Somebody else has changed this job since you asked. Ask again." : complain(error);
      body.replaceChildren(element("p", "warn", text), button("Close", "", () => this.close()));
      await this.reload();
      say(text);
    }
  }

  /**
   * What was shown cannot be had any more: what can is shown instead.
   * @param {HTMLElement} body
   * @param {Question} found
   * @param {{draft: string, difference: Difference, text: string}} done
   */
  differs(body, found, done) {
    this.ghost(question.ghostsOf(done.difference));
    const buttons = element("div", "buttons");
    buttons.append(
      button("Accept this", "main", () => this.finish(() => question.publish(done.draft), "Published.")),
      button("Drop it all", "", () => this.finish(() => question.takeBack(found, done.draft), "Dropped.")),
    );
    body.replaceChildren(element("p", "warn", done.text), ...panel.differenceInWords(this.model(), done.difference), buttons);
    say(done.text);
  }

  /** @param {() => Promise<void>} act @param {string} text */
  async finish(act, text) {
    try {
      await act();
      this.close();
      await this.reload();
      say(text);
    } catch (error) {
      await this.reload();
      complain(error);
    }
  }

  /** A repair that waits for the office. */
  async propose() {
    const id = this.model().board.repairs.proposal;
    if (!id) {
      return;
    }
    const { body, isOpen } = panel.open("A repair waits for you");
    body.append(element("p", "aside", "Looking up what it changes …"));
    try {
      const [difference, reasons] = await Promise.all([
        json("GET", `/v1/plans/${id}/comparison`), json("GET", `/v1/plans/${id}/difference`),
      ]);
      if (isOpen()) {
        this.proposal(body, id, difference, reasons.steps);
      }
    } catch (error) {
      body.replaceChildren(element("p", "warn", complain(error)));
    }
  }

  /**
   * @param {HTMLElement} body
   * @param {string} id
   * @param {Difference} difference
   * @param {{because: string}[]} steps
   */
  proposal(body, id, difference, steps) {
    this.ghost(question.ghostsOf(difference));
    const why = element("ul", "reasons");
    [...new Set(steps.map((step) => step.because))].slice(0, REASONS_MAX).forEach((because) => why.append(element("li", "", because)));
    const buttons = element("div", "buttons");
    if (this.isOffice) {
      buttons.append(
        button("Accept", "main", () => this.finish(() => question.publish(id), "The repair is published.")),
        button("Reject", "", () => this.finish(() => question.reject(id), "The repair is rejected.")),
      );
    }
    body.replaceChildren(element("h3", "", "Why"), why, ...panel.differenceInWords(this.model(), difference), buttons);
    buttons.querySelector("button")?.focus();
  }

  /** @param {number} step */
  unpin(step) {
    const { board } = this.model();
    const own = board.steps[step];
    const job = board.jobs[own?.job ?? -1];
    void this.finish(() => question.unpin(job?.key ?? "", own?.key ?? "", job?.version ?? 0), "The pin is off.");
  }
}
