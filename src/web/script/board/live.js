// News of the company as it comes: the board is loaded again, and what moved is said and marked.

/** @typedef {import("./types.js").Board} Board */

/** Kinds of notices after which the board may be another. */
const KINDS = [
  "event.recorded", "check.failed", "plan.proposed", "plan.published", "plan.rejected", "crew.day_changed",
  "house.date_changed", "step.unplaced", "stream.missed",
];
/** Several notices of one change come together, milliseconds. */
const GATHER = 250;
/** Without any news the board is asked for now and then: what nobody reports goes on as promised. */
const AGAIN = 120_000;

/**
 * @param {() => Promise<void>} reload
 * @param {(isOpen: boolean) => void} shown
 */
export function follow(reload, shown) {
  let waiting = 0;
  const soon = () => {
    if (waiting === 0) {
      waiting = window.setTimeout(() => {
        waiting = 0;
        void reload();
      }, GATHER);
    }
  };
  // The browser goes on by itself from the last notice it has seen.
  const source = new EventSource("/v1/stream");
  let wasOpen = false;
  source.addEventListener("open", () => {
    shown(true);
    if (wasOpen) {
      soon();
    }
    wasOpen = true;
  });
  source.addEventListener("error", () => shown(false));
  KINDS.forEach((kind) => source.addEventListener(kind, soon));
  window.setInterval(soon, AGAIN);
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) {
      soon();
    }
  });
  window.addEventListener("pagehide", () => source.close());
}

/**
 * Steps that are elsewhere, or with another crew, than before.
 * @param {Board} before
 * @param {Board} after
 * @returns {{moved: Set<string>, begun: Set<string>, failed: Set<string>}} `job/step` each
 */
export function compare(before, after) {
  /** @param {Board} board */
  const places = (board) => new Map(board.steps.map((step) => [
    `${board.jobs[step.job]?.key}/${step.key}`,
    { place: `${board.crews[step.crew ?? -1]?.key} ${step.pieces?.[0]?.[0]}`, state: step.state, tries: step.tries?.length ?? 0 },
  ]));
  const [old, now] = [places(before), places(after)];
  const [moved, begun, failed] = [new Set(), new Set(), new Set()];
  for (const [key, one] of now) {
    const was = old.get(key);
    if (!was) {
      moved.add(key);
    } else if (was.state !== one.state && (one.state === "running" || one.state === "done")) {
      begun.add(key);
    } else if (was.tries < one.tries) {
      failed.add(key);
    } else if (was.place !== one.place) {
      moved.add(key);
    }
  }
  return { moved, begun, failed };
}
