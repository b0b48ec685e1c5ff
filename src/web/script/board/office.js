// The board as a whole: what is loaded, what of it is shown, and what every control does.

import { drawAlerts } from "./alerts.js";
import { Asking } from "./asking.js";
import { showBottlenecks } from "./bottlenecks.js";
import { atWall, dayClock, instant, wall } from "./dates.js";
import { byId } from "./dom.js";
import { Grid } from "./grid.js";
import { enter, listen } from "./keys.js";
import { compare, follow } from "./live.js";
import { loadBoard, loadChances } from "./load.js";
import { houseOf, model } from "./model.js";
import { Mover } from "./move.js";
import * as panel from "./panel.js";
import { complain, say } from "./say.js";
import { counted } from "./words.js";

/** @typedef {import("./types.js").Board} Board */
/** @typedef {import("./types.js").Cell} Cell */
/** @typedef {import("./types.js").Row} Row */

/** How long what has moved stays marked, milliseconds. */
const MARKED = 30_000;
/** How often the line of the present goes on, milliseconds. */
const TICK = 30_000;
const ZOOMS = /** @type {import("./axis.js").Zoom[]} */ (["day", "week", "weeks"]);

export class Office {
  /**
   * @param {Board} board
   * @param {string} tag
   */
  constructor(board, tag) {
    this.known = model(board, []);
    this.tag = tag;
    /** @type {import("./alerts.js").Flag | ""} */
    this.flag = "";
    this.search = byId("board-search", HTMLInputElement);
    this.grid = new Grid(this.known);
    /** The server's clock may be another than this computer's. */
    this.clockOff = board.now - Math.floor(Date.now() / 60_000);
    const isOffice = byId("content", HTMLElement).dataset.role === "office";
    this.asking = new Asking(() => this.known, isOffice, (ghosts) => this.ghost(ghosts), () => void this.close(), () => this.reload());
    this.mover = new Mover(this.grid, (target) => this.moved(target), say);
    this.controls();
    this.pointer();
    this.draw();
    this.grid.toNow();
    void this.chances();
    follow(() => this.reload(), (isOpen) => {
      const line = byId("board-line", HTMLElement);
      line.textContent = isOpen ? "live" : "connecting …";
      line.classList.toggle("is-live", isOpen);
    });
    window.setInterval(() => this.grid.drawNow(Math.floor(Date.now() / 60_000) + this.clockOff), TICK);
  }

  /** @param {number} step */
  zoneOf(step) {
    return houseOf(this.known.board, step)?.time_zone ?? this.known.board.time_zone;
  }

  sections() {
    const { known, flag } = this;
    const words = this.search.value.toLowerCase().split(/\s+/).filter(Boolean);
    const show = document.querySelector('input[name="show"]:checked');
    const what = show instanceof HTMLInputElement ? show.value : "both";
    /** @param {Row} row */
    const fits = (row) => words.every((word) => row.text.includes(word));
    const crews = known.crews.filter(fits);
    const jobs = known.jobs.filter((row) => fits(row) && (flag === "" || known.flags[row.index]?.[flag]));
    const made = [];
    if (what !== "houses" && flag === "") {
      made.push({ title: `Crews · ${crews.length}`, rows: crews });
    }
    if (what !== "crews" || flag !== "") {
      const of = jobs.length < known.jobs.length ? ` of ${known.jobs.length}` : "";
      made.push({ title: `Houses · ${jobs.length}${of}`, rows: jobs });
    }
    return made;
  }

  draw() {
    const { grid, known } = this;
    grid.show(known, this.sections());
    if (grid.slotOf(grid.current) < 0) {
      grid.current = "";
      enter(grid, false);
    }
    drawAlerts(known, byId("board-alerts", HTMLElement), this.flag, (chosen) => this.filter(chosen), () => void this.asking.propose());
    const { plan, time_zone: zone } = known.board;
    const since = plan?.published_at ? `, since ${dayClock(plan.published_at, zone)}` : "";
    byId("board-plan", HTMLElement).textContent = plan ? `Plan ${plan.number}${since}` : "no plan yet";
  }

  /** @param {import("./alerts.js").Flag | ""} flag */
  filter(flag) {
    this.flag = flag;
    this.draw();
    const count = flag === "" ? this.known.flags.length : this.known.flags.filter((flags) => flags[flag]).length;
    say(flag === "" ? "All houses are shown." : `${counted(count, "house")} shown.`);
    const pressed = document.querySelector("#board-alerts [aria-pressed='true']") ?? document.querySelector("#board-alerts button");
    if (pressed instanceof HTMLElement) {
      pressed.focus();
    }
  }

  async reload() {
    try {
      const loaded = await loadBoard("", this.tag);
      if (loaded && !this.mover.isMoving()) {
        const before = this.known.board;
        this.tag = loaded.tag;
        this.known = model(loaded.board, [...this.known.chances.values()]);
        this.tell(before, loaded.board);
        this.draw();
        await this.chances();
      }
    } catch (error) {
      complain(error);
    }
  }

  /** @param {Board} before @param {Board} after */
  tell(before, after) {
    const { moved, begun, failed } = compare(before, after);
    const parts = [];
    if (failed.size > 0) {
      parts.push(`${counted(failed.size, "try", "tries")} failed`);
    }
    if (moved.size > 0) {
      parts.push(`${counted(moved.size, "step")} moved`);
    }
    if (begun.size > 0) {
      parts.push(`${counted(begun.size, "step")} begun or done`);
    }
    if (after.repairs.proposal && after.repairs.proposal !== before.repairs.proposal) {
      parts.push("a repair waits for you");
    }
    if (parts.length > 0) {
      say(`The board has changed: ${parts.join(", ")}.`);
    }
    const marked = [...moved, ...failed];
    marked.forEach((key) => this.grid.moved.add(key));
    if (marked.length > 0) {
      window.setTimeout(() => {
        marked.forEach((key) => this.grid.moved.delete(key));
        this.grid.redraw();
      }, MARKED);
    }
  }

  /** Chances take a second to work out, so they come after the picture. */
  async chances() {
    const loaded = await loadChances();
    if (loaded.length > 0) {
      this.known = model(this.known.board, loaded);
      this.draw();
    }
  }

  /** @param {import("./types.js").Ghost[]} ghosts */
  ghost(ghosts) {
    this.grid.ghosts = ghosts;
    this.grid.redraw();
  }

  close() {
    const was = panel.close();
    if (this.grid.ghosts.length > 0) {
      this.ghost([]);
    }
    if (was) {
      this.grid.cellElement(this.grid.current)?.focus({ preventScroll: true });
    }
    return was;
  }

  /** @param {Cell} cell */
  open(cell) {
    if (this.grid.ghosts.length > 0) {
      this.ghost([]);
    }
    panel.showSteps(this.known, [...new Set(cell.steps)], {
      ask: (step, to) => {
        const at = to.start?.split("T");
        const start = at ? { start: instant(atWall(at[0] ?? "", at[1] ?? "", this.zoneOf(step))) } : {};
        void this.asking.ask(step, { ...to, ...start });
      },
      unpin: (step) => this.asking.unpin(step),
    });
  }

  /** @param {import("./move.js").Target} target */
  moved(target) {
    const crew = this.known.board.crews[target.crew]?.key;
    const when = target.dayOnly ? { day: wall(target.start, this.zoneOf(target.step)).date } : { start: instant(target.start) };
    void this.asking.ask(target.step, { crew, ...when });
  }

  /** @param {number} by */
  zoom(by) {
    const next = ZOOMS[Math.min(Math.max(ZOOMS.indexOf(this.grid.zoom) + by, 0), ZOOMS.length - 1)] ?? this.grid.zoom;
    const radio = document.querySelector(`input[name="zoom"][value="${next}"]`);
    if (radio instanceof HTMLInputElement) {
      radio.checked = true;
    }
    this.grid.setZoom(next);
  }

  controls() {
    const { grid, search } = this;
    listen(grid, {
      open: (cell) => this.open(cell),
      close: () => this.close(),
      move: (cell) => this.mover.begin(cell),
      search: () => search.focus(),
      zoom: (by) => this.zoom(by),
      today: () => grid.toNow(),
      busy: () => this.mover.isMoving(),
    });
    search.addEventListener("input", () => this.draw());
    search.addEventListener("keydown", (event) => {
      if (event.key === "Enter" || event.key === "ArrowDown") {
        event.preventDefault();
        enter(grid);
      } else if (event.key === "Escape" && search.value !== "") {
        event.preventDefault();
        search.value = "";
        this.draw();
      }
    });
    byId("board-search-form", HTMLFormElement).addEventListener("submit", (event) => event.preventDefault());
    byId("board-today", HTMLButtonElement).addEventListener("click", () => grid.toNow());
    byId("board-bottlenecks", HTMLButtonElement).addEventListener("click", () => {
      if (this.grid.ghosts.length > 0) {
        this.ghost([]);
      }
      void showBottlenecks(this.known);
    });
    document.querySelectorAll('input[name="show"]').forEach((radio) => radio.addEventListener("change", () => this.draw()));
    document.querySelectorAll('input[name="zoom"]').forEach((radio) => radio.addEventListener("change", () => {
      grid.setZoom(/** @type {import("./axis.js").Zoom} */ (radio instanceof HTMLInputElement ? radio.value : "week"));
    }));
  }

  pointer() {
    const { grid, mover } = this;
    grid.scroller.addEventListener("click", (event) => {
      const here = grid.under(event.target instanceof Element ? event.target : null);
      if (here && !mover.hasDragged) {
        grid.goTo(here.slot, here.cell);
        this.open(here.cell);
      }
    });
    grid.scroller.addEventListener("focusin", (event) => {
      const here = grid.under(event.target instanceof Element ? event.target : null);
      if (here) {
        grid.current = here.cell.id;
      }
    });
    byId("board-panel", HTMLElement).addEventListener("click", (event) => {
      if (event.target instanceof HTMLElement && event.target.dataset.act === "close") {
        this.close();
      }
    });
  }
}
