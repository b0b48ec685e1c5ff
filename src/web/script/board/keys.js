// The keyboard on the grid: arrows go along the time and between rows, Enter opens, Escape closes, / searches.

/** @typedef {import("./grid.js").Grid} Grid */
/** @typedef {import("./types.js").Cell} Cell */

/**
 * @typedef {object} Doings
 * @property {(cell: Cell) => void} open
 * @property {() => boolean} close whether there was anything to close
 * @property {(cell: Cell) => void} move
 * @property {() => void} search
 * @property {(by: number) => void} zoom
 * @property {() => void} today
 * @property {() => boolean} busy whether a step is being moved: arrows are not for us
 */

/**
 * @param {Grid} grid
 * @param {Doings} doings
 */
export function listen(grid, doings) {
  grid.scroller.addEventListener("keydown", (event) => {
    if (doings.busy() || event.altKey || event.ctrlKey || event.metaKey) {
      return;
    }
    const here = grid.under(event.target instanceof Element ? event.target : null);
    const done = here ? onCell(grid, doings, here, event.key) : entered(grid, event.key);
    if (done) {
      event.preventDefault();
    }
  });
  document.addEventListener("keydown", (event) => {
    const typing = event.target instanceof HTMLElement && event.target.matches("input, select, textarea");
    if (event.defaultPrevented || event.altKey || event.ctrlKey || event.metaKey || doings.busy()) {
      return;
    }
    if (event.key === "Escape" && doings.close()) {
      event.preventDefault();
    }
    if (typing) {
      return;
    }
    const keys = /** @type {Record<string, () => void>} */ ({
      "/": doings.search, "+": () => doings.zoom(-1), "-": () => doings.zoom(1), t: doings.today,
    });
    const act = keys[event.key];
    if (act) {
      event.preventDefault();
      act();
    }
  });
}

/**
 * The grid itself has the focus: the first arrow goes to what is near the present.
 * @param {Grid} grid
 * @param {string} key
 */
function entered(grid, key) {
  return ["ArrowDown", "ArrowRight", "Home"].includes(key) && enter(grid);
}

/**
 * @param {Grid} grid
 * @param {boolean} [focus]
 * @returns {boolean} whether there is any cell
 */
export function enter(grid, focus = true) {
  const slot = grid.slots.findIndex((one) => one.row && grid.cellsOf(one.row).length > 0);
  return slot >= 0 && toNearest(grid, slot, grid.model.board.now, focus);
}

/**
 * @param {Grid} grid
 * @param {Doings} doings
 * @param {{row: import("./types.js").Row, cell: Cell, slot: number}} here
 * @param {string} key
 * @returns {boolean}
 */
function onCell(grid, doings, here, key) {
  const cells = grid.cellsOf(here.row);
  const index = cells.indexOf(here.cell);
  const middle = (here.cell.start + here.cell.end) / 2;
  /** @param {number} to */
  const along = (to) => {
    const cell = cells[Math.min(Math.max(to, 0), cells.length - 1)];
    if (cell) {
      grid.goTo(here.slot, cell);
    }
    return true;
  };
  switch (key) {
    case "ArrowRight":
      return along(index + 1);
    case "ArrowLeft":
      return along(index - 1);
    case "Home":
      return along(0);
    case "End":
      return along(cells.length - 1);
    case "ArrowDown":
      return across(grid, here.slot, 1, middle);
    case "ArrowUp":
      return across(grid, here.slot, -1, middle);
    case "PageDown":
      return across(grid, here.slot, 10, middle);
    case "PageUp":
      return across(grid, here.slot, -10, middle);
    case "Enter":
    case " ":
      doings.open(here.cell);
      return true;
    case "m":
      doings.move(here.cell);
      return true;
    default:
      return false;
  }
}

/**
 * To the next row that has anything, at about the same time.
 * @param {Grid} grid
 * @param {number} slot
 * @param {number} by
 * @param {number} minute
 */
function across(grid, slot, by, minute) {
  const way = Math.sign(by);
  let at = Math.min(Math.max(slot + by, 0), grid.slots.length - 1);
  while (at >= 0 && at < grid.slots.length) {
    const row = grid.slots[at]?.row;
    if (row && grid.cellsOf(row).length > 0) {
      return toNearest(grid, at, minute);
    }
    at += way;
  }
  return true;
}

/**
 * @param {Grid} grid
 * @param {number} slot
 * @param {number} minute
 * @param {boolean} [focus]
 */
function toNearest(grid, slot, minute, focus = true) {
  const row = grid.slots[slot]?.row;
  const cells = row ? grid.cellsOf(row) : [];
  /** @param {Cell} cell */
  const far = (cell) => Math.max(cell.start - minute, minute - cell.end, 0);
  const nearest = cells.reduce((best, cell) => (best && far(best) <= far(cell) ? best : cell), cells[0]);
  if (nearest) {
    grid.goTo(slot, nearest, focus);
  }
  return nearest !== undefined;
}
