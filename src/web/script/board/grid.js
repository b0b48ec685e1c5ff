// The rows of the board on their axis: only those in sight are in the page, and of those only the time in sight.

import { Axis, drawDays, drawGround, drawSky } from "./axis.js";
import { byId, element, lay } from "./dom.js";
import { fill } from "./draw.js";
import { clock } from "./dates.js";

/** @typedef {import("./types.js").Row} Row */
/** @typedef {import("./types.js").Cell} Cell */
/** @typedef {import("./model.js").Model} Model */

/** Heights in pixels; `board_page.css` has the same. */
const ROW = 38;
const SECTION = 26;
/** Rows kept above and below those in sight. */
const MARGIN_ROWS = 4;

/** @typedef {{top: number, height: number, row: Row | null, title: string}} Slot */

export class Grid {
  /** @param {Model} model */
  constructor(model) {
    this.scroller = byId("board-grid", HTMLElement);
    this.plane = byId("board-plane", HTMLElement);
    this.head = byId("board-head", HTMLElement);
    this.ground = element("div", "ground");
    this.rows = element("div", "rows");
    this.nowLine = element("div", "now-line");
    this.plane.append(this.ground, this.rows, this.nowLine);
    for (const made of [this.ground, this.nowLine]) {
      made.setAttribute("aria-hidden", "true");
    }
    // Rows are owned by the grid whatever lies between.
    this.rows.setAttribute("role", "rowgroup");
    this.model = model;
    /** @type {import("./axis.js").Zoom} */
    this.zoom = "week";
    /** @type {Slot[]} */
    this.slots = [];
    /** @type {Map<number, HTMLElement>} */
    this.drawn = new Map();
    /** @type {import("./types.js").Ghost[]} */
    this.ghosts = [];
    /** @type {Set<string>} */
    this.moved = new Set();
    this.current = "";
    this.axis = new Axis(model.board, this.zoom, this.timeWidth());
    this.seen = { from: 0, until: 0 };
    /** @type {number} */
    this.frame = 0;
    this.scroller.addEventListener("scroll", () => this.soon(), { passive: true });
    new ResizeObserver(() => this.resize()).observe(this.scroller);
  }

  nameWidth() {
    return parseFloat(getComputedStyle(this.scroller).getPropertyValue("--name-width")) || 200;
  }

  timeWidth() {
    return Math.max(this.scroller.clientWidth - this.nameWidth(), 240);
  }

  resize() {
    const at = this.axis.minute(this.scroller.scrollLeft);
    this.rescale(at);
  }

  /**
   * Another zoom, with the same time in the middle.
   * @param {import("./axis.js").Zoom} zoom
   */
  setZoom(zoom) {
    const [left, width] = [this.scroller.scrollLeft, this.timeWidth()];
    const now = this.axis.x(this.model.board.now);
    this.zoom = zoom;
    if (now >= left && now < left + width) {
      this.toNow();
    } else {
      this.rescale(this.axis.minute(left + width / 2), 0.5);
    }
  }

  /** To the beginning of the present day. */
  toNow() {
    const { board } = this.model;
    this.rescale(board.days.findLast((one) => one.start <= board.now)?.start ?? board.now);
  }

  /**
   * @param {number} minute
   * @param {number} [where] 0 at the left of the window, 1 at its right
   */
  rescale(minute, where = 0) {
    this.axis = new Axis(this.model.board, this.zoom, this.timeWidth());
    drawGround(this.axis, this.ground);
    this.plane.style.setProperty("width", `${this.nameWidth() + this.axis.width}px`);
    this.plane.style.setProperty("--head-height", `${this.axis.height}px`);
    this.scroller.scrollLeft = this.axis.x(minute) - this.timeWidth() * where;
    this.redraw();
  }

  /**
   * Other rows, or the same with other content.
   * @param {Model} model
   * @param {{title: string, rows: Row[]}[]} sections
   */
  show(model, sections) {
    const focused = this.rows.contains(document.activeElement);
    this.model = model;
    this.drawn.forEach((made) => made.remove());
    this.drawn.clear();
    this.axis = new Axis(model.board, this.zoom, this.timeWidth());
    this.slots = [];
    let top = 0;
    for (const { title, rows } of sections) {
      this.slots.push({ top, height: SECTION, row: null, title });
      top += SECTION;
      for (const row of rows) {
        this.slots.push({ top, height: ROW, row, title: "" });
        top += ROW;
      }
    }
    this.rows.style.setProperty("height", `${top}px`);
    this.ground.style.setProperty("height", `${top}px`);
    this.nowLine.style.setProperty("height", `${top}px`);
    this.scroller.setAttribute("aria-rowcount", String(this.slots.length));
    drawGround(this.axis, this.ground);
    this.plane.style.setProperty("width", `${this.nameWidth() + this.axis.width}px`);
    this.plane.style.setProperty("--head-height", `${this.axis.height}px`);
    this.redraw();
    if (focused) {
      (this.cellElement(this.current) ?? this.scroller).focus({ preventScroll: true });
    }
  }

  /** Draws everything in sight anew. */
  redraw() {
    for (const made of this.drawn.values()) {
      made.dataset.stale = "yes";
    }
    this.seen = { from: 0, until: 0 };
    this.draw();
    this.drawNow(this.model.board.now);
  }

  soon() {
    if (this.frame === 0) {
      this.frame = requestAnimationFrame(() => {
        this.frame = 0;
        this.draw();
      });
    }
  }

  /** Draws what has come into sight. */
  draw() {
    const { scrollTop, scrollLeft, clientHeight } = this.scroller;
    const width = this.timeWidth();
    const [left, right] = [this.axis.minute(scrollLeft), this.axis.minute(scrollLeft + width)];
    if (left < this.seen.from || right > this.seen.until) {
      // As much again on either side, so that not every step of scrolling draws.
      const margin = Math.max((right - left) * 0.75, 60);
      this.seen = { from: Math.max(left - margin, this.axis.from), until: Math.min(right + margin, this.axis.until) };
      if (this.seen.from <= this.axis.from) {
        this.seen.from = -Infinity;
      }
      if (this.seen.until >= this.axis.until) {
        this.seen.until = Infinity;
      }
      this.drawHead();
      for (const made of this.drawn.values()) {
        made.dataset.stale = "yes";
      }
    }
    const first = this.slotAt(scrollTop) - MARGIN_ROWS;
    const last = this.slotAt(scrollTop + clientHeight) + MARGIN_ROWS;
    const kept = this.slotOf(this.current);
    for (const [index, made] of this.drawn) {
      if ((index < first || index > last) && index !== kept) {
        made.remove();
        this.drawn.delete(index);
      }
    }
    for (let index = Math.max(first, 0); index <= Math.min(last, this.slots.length - 1); index += 1) {
      this.drawSlot(index);
    }
    if (kept >= 0) {
      this.drawSlot(kept);
    }
  }

  drawHead() {
    const [from, until] = [Math.max(this.seen.from, this.axis.from), Math.min(this.seen.until, this.axis.until)];
    const [days, sky] = [element("div", "dates"), element("div", "sky")];
    drawDays(this.axis, days, from, until);
    drawSky(this.axis, sky, from, until);
    const corner = element("div", "corner");
    corner.append(element("span", "corner-title", "Crews and houses"));
    for (const region of this.axis.regions) {
      const label = element("div", "region");
      label.append(element("b", "", region.name.split(",")[0]), element("span", "", limitsText(region)));
      corner.append(label);
    }
    const time = element("div", "time");
    time.append(days, sky);
    this.head.replaceChildren(corner, time);
  }

  /** @param {number} index */
  drawSlot(index) {
    const slot = this.slots[index];
    let made = this.drawn.get(index);
    if (!slot || (made && made.dataset.stale === undefined)) {
      return;
    }
    const focused = made?.contains(document.activeElement) ?? false;
    if (!made) {
      made = element("div", slot.row ? `row of-${slot.row.kind}` : "section");
      made.setAttribute("role", "row");
      made.setAttribute("aria-rowindex", String(index + 1));
      made.style.setProperty("top", `${slot.top}px`);
      this.drawn.set(index, made);
      this.rows.append(made);
    }
    delete made.dataset.stale;
    if (!slot.row) {
      const title = element("div", "title", slot.title);
      title.setAttribute("role", "rowheader");
      made.replaceChildren(title);
      return;
    }
    made.dataset.row = slot.row.id;
    const { model, axis, ghosts, moved, current } = this;
    made.replaceChildren(...fill({ model, axis, from: this.seenFrom(), until: this.seenUntil(), ghosts, moved, current }, slot.row));
    if (focused) {
      this.cellElement(this.current)?.focus({ preventScroll: true });
    }
  }

  seenFrom() {
    return Math.max(this.seen.from, this.axis.from);
  }

  seenUntil() {
    return Math.min(this.seen.until, this.axis.until);
  }

  /** @param {number} y */
  slotAt(y) {
    let [low, high] = [0, this.slots.length];
    while (low < high) {
      const middle = (low + high) >> 1;
      if ((this.slots[middle]?.top ?? 0) <= y) {
        low = middle + 1;
      } else {
        high = middle;
      }
    }
    return low - 1;
  }

  /** @param {Row} row */
  cellsOf(row) {
    return this.axis.isNarrow ? row.days : row.cells;
  }

  /**
   * Which slot has a cell; -1: none.
   * @param {string} id
   */
  slotOf(id) {
    if (id === "") {
      return -1;
    }
    const mine = this.slots[this.lastSlot ?? -1]?.row;
    if (mine && this.cellsOf(mine).some((cell) => cell.id === id)) {
      return this.lastSlot ?? -1;
    }
    this.lastSlot = this.slots.findIndex((slot) => slot.row && this.cellsOf(slot.row).some((cell) => cell.id === id));
    return this.lastSlot;
  }

  /** @param {string} id */
  cellElement(id) {
    const row = this.drawn.get(this.slotOf(id));
    const found = row && [...row.querySelectorAll(".cell")].find((cell) => cell instanceof HTMLElement && cell.dataset.cell === id);
    return found instanceof HTMLElement ? found : null;
  }

  /**
   * The row and the cell in it that are under an element.
   * @param {Element | null} target
   * @returns {{row: Row, cell: Cell, slot: number} | null}
   */
  under(target) {
    const made = target?.closest(".cell");
    const id = made instanceof HTMLElement ? made.dataset.cell : undefined;
    const rowElement = made?.closest(".row");
    for (const [slot, drawn] of this.drawn) {
      const row = this.slots[slot]?.row;
      const cell = drawn === rowElement && row ? this.cellsOf(row).find((one) => one.id === id) : undefined;
      if (row && cell) {
        return { row, cell, slot };
      }
    }
    return null;
  }

  /**
   * Makes a cell the one that the keyboard is on, in sight.
   * @param {number} slot
   * @param {Cell} cell
   * @param {boolean} [focus]
   */
  goTo(slot, cell, focus = true) {
    const before = this.cellElement(this.current);
    if (before) {
      before.tabIndex = -1;
    }
    this.lastSlot = slot;
    this.current = cell.id;
    const place = this.slots[slot];
    const view = this.scroller;
    const left = this.axis.x(cell.start);
    const [edge, width] = [view.scrollLeft, this.timeWidth()];
    if (left < edge + 10 || left > edge + width - 60) {
      view.scrollLeft = left - width / 3;
    }
    const room = view.clientHeight - this.axis.height;
    if (place && (place.top < view.scrollTop || place.top + place.height > view.scrollTop + room)) {
      view.scrollTop = place.top - room / 3;
    }
    this.draw();
    const made = this.cellElement(cell.id);
    if (made) {
      made.tabIndex = 0;
      if (focus) {
        made.focus({ preventScroll: true });
      }
    }
  }

  /** @param {number} now */
  drawNow(now) {
    const inside = now >= this.axis.from && now < this.axis.until;
    this.nowLine.hidden = !inside;
    lay(this.nowLine, this.axis.x(now), 2);
    this.nowLine.dataset.clock = clock(now, this.model.board.time_zone);
  }
}

/** @param {import("./types.js").Region} region */
function limitsText(region) {
  if (!region.limits) {
    return "no finish needs any air";
  }
  return `finishes need ${region.limits.temp_min_deci_c / 10} °C, at most ${region.limits.rh_max_percent} %`;
}
