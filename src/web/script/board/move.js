// Moving a step: by dragging it, or by the keys after M. Either way ends in a question, never in a change.

import { element, lay } from "./dom.js";
import { dayClock } from "./dates.js";

/** @typedef {import("./grid.js").Grid} Grid */
/** @typedef {import("./types.js").Cell} Cell */
/** @typedef {import("./types.js").Pin} Pin */

/**
 * What a step is moved to.
 * @typedef {object} Target
 * @property {number} step
 * @property {number} start
 * @property {number} crew place in the board's crews
 * @property {boolean} dayOnly where days are narrow nobody can aim at a minute
 */

const SNAP_MINUTES = 15;
/** Pixels before a press becomes a drag. */
const DRAG_PIXELS = 5;

export class Mover {
  /**
   * @param {Grid} grid
   * @param {(target: Target) => void} ask
   * @param {(text: string) => void} say
   */
  constructor(grid, ask, say) {
    this.grid = grid;
    this.ask = ask;
    this.say = say;
    /** @type {Target | null} */
    this.target = null;
    /** @type {{cell: Cell, x: number, y: number, grip: number, on: boolean} | null} */
    this.drag = null;
    this.shadow = element("div", "shadow");
    this.shadow.setAttribute("aria-hidden", "true");
    this.shadow.hidden = true;
    this.grid.plane.append(this.shadow);
    this.hasDragged = false;
    const { scroller } = grid;
    scroller.addEventListener("pointerdown", (event) => this.pressed(event));
    scroller.addEventListener("pointermove", (event) => this.dragged(event));
    scroller.addEventListener("pointerup", (event) => this.dropped(event));
    scroller.addEventListener("pointercancel", () => this.end());
    scroller.addEventListener("keydown", (event) => this.key(event), { capture: true });
  }

  isMoving() {
    return this.target !== null;
  }

  /**
   * The step of a cell that can be moved: the first that is still to come.
   * @param {Cell} cell
   */
  movable(cell) {
    const { board } = this.grid.model;
    return cell.what === "try" ? undefined : cell.steps.find((number) => board.steps[number]?.state === "planned");
  }

  /** @param {PointerEvent} event */
  pressed(event) {
    this.hasDragged = false;
    const here = this.grid.under(event.target instanceof Element ? event.target : null);
    // A finger scrolls; it moves steps in the panel.
    if (!here || event.button !== 0 || event.pointerType === "touch" || this.movable(here.cell) === undefined) {
      return;
    }
    const grip = this.timeOf(event.clientX) - here.cell.start;
    this.drag = { cell: here.cell, x: event.clientX, y: event.clientY, grip, on: false };
  }

  /** @param {number} clientX */
  timeOf(clientX) {
    const { scroller, axis } = this.grid;
    return axis.minute(clientX - scroller.getBoundingClientRect().left - this.grid.nameWidth() + scroller.scrollLeft);
  }

  /** @param {PointerEvent} event */
  dragged(event) {
    const { drag } = this;
    if (!drag) {
      return;
    }
    if (!drag.on && Math.hypot(event.clientX - drag.x, event.clientY - drag.y) < DRAG_PIXELS) {
      return;
    }
    const step = this.movable(drag.cell);
    if (!drag.on) {
      drag.on = true;
      this.grid.scroller.setPointerCapture(event.pointerId);
      this.grid.scroller.classList.add("dragging");
    }
    const under = document.elementsFromPoint(event.clientX, event.clientY).map((one) => one.closest(".row"));
    const made = under.find((one) => one !== null);
    const slot = [...this.grid.drawn].find(([, drawn]) => drawn === made)?.[0];
    const row = this.grid.slots[slot ?? -1]?.row;
    const own = this.grid.model.board.steps[step ?? -1]?.crew ?? 0;
    if (step !== undefined) {
      const crew = row?.kind === "crew" ? row.index : own;
      this.aim({ step, start: snapped(this.timeOf(event.clientX) - drag.grip), crew, dayOnly: this.grid.axis.isNarrow }, slot);
    }
  }

  /** @param {PointerEvent} event */
  dropped(event) {
    const { drag, target } = this;
    if (drag?.on && target) {
      this.hasDragged = true;
      this.grid.scroller.releasePointerCapture(event.pointerId);
      this.end();
      this.ask(target);
      return;
    }
    this.drag = null;
  }

  /**
   * By keys, from where it is.
   * @param {Cell} cell
   */
  begin(cell) {
    const step = this.movable(cell);
    const own = this.grid.model.board.steps[step ?? -1];
    if (step === undefined || !own || own.crew === undefined) {
      this.say("Only steps that are still to come can be moved.");
      return;
    }
    const start = own.pieces?.[0]?.[0] ?? cell.start;
    this.aim({ step, start, crew: own.crew, dayOnly: false }, undefined);
    this.say(`Moving ${own.name}. Left and right by a quarter of an hour, with Shift by a day; up and down to another crew; Enter asks what would follow, Escape leaves it.`);
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    const { target } = this;
    if (!target || this.drag) {
      if (event.key === "Escape" && this.drag) {
        this.end();
        event.preventDefault();
      }
      return;
    }
    const crews = this.grid.model.board.crews.length;
    const by = event.shiftKey ? 1440 : SNAP_MINUTES;
    const next = { ...target };
    switch (event.key) {
      case "ArrowLeft":
        next.start -= by;
        break;
      case "ArrowRight":
        next.start += by;
        break;
      case "ArrowUp":
        next.crew = (target.crew + crews - 1) % crews;
        break;
      case "ArrowDown":
        next.crew = (target.crew + 1) % crews;
        break;
      case "Enter":
        this.end();
        this.ask(target);
        break;
      case "Escape":
        this.end();
        this.say("Left where it is.");
        break;
      default:
        return;
    }
    event.preventDefault();
    event.stopPropagation();
    if (this.target) {
      this.aim(next, undefined);
      const { board } = this.grid.model;
      this.say(`${dayClock(next.start, board.time_zone)}, ${board.crews[next.crew]?.name}`);
    }
  }

  /**
   * Shows where it would go.
   * @param {Target} target
   * @param {number | undefined} slot under the pointer; otherwise the crew's row, or else the job's
   */
  aim(target, slot) {
    this.target = target;
    const { board } = this.grid.model;
    const step = board.steps[target.step];
    const pieces = step?.pieces ?? [];
    const minutes = pieces.reduce((sum, [start, end]) => sum + end - start, 0);
    const row = this.grid.slots.findIndex((one) => one.row?.kind === "crew" && one.row.index === target.crew);
    const job = this.grid.slots.findIndex((one) => one.row?.kind === "job" && one.row.index === step?.job);
    const place = this.grid.slots[slot ?? (row >= 0 ? row : job)];
    if (!place) {
      return;
    }
    const { axis } = this.grid;
    const day = board.days.findLast((one) => one.start <= target.start)?.start ?? target.start;
    const [start, width] = target.dayOnly ? [day, axis.perDay] : [target.start, axis.between(target.start, target.start + minutes)];
    lay(this.shadow, axis.x(start), Math.max(width, 24));
    this.shadow.style.setProperty("top", `${place.top + axis.height}px`);
    this.shadow.hidden = false;
    this.shadow.textContent = `${dayClock(target.start, board.time_zone).slice(0, target.dayOnly ? -6 : undefined)} · ${board.crews[target.crew]?.name}`;
  }

  end() {
    this.target = null;
    this.drag = null;
    this.shadow.hidden = true;
    this.grid.scroller.classList.remove("dragging");
  }
}

/** @param {number} minute */
function snapped(minute) {
  return Math.round(minute / SNAP_MINUTES) * SNAP_MINUTES;
}
