// What a dispatcher has to know in ten seconds: how many houses are late, at risk, stopped; and what waits for the office.

import { element } from "./dom.js";
import { RISK_PERCENT } from "./model.js";
import { counted } from "./words.js";

/** @typedef {import("./model.js").Model} Model */
/** @typedef {keyof import("./model.js").Flags} Flag */

/** @type {[Flag, string, string][]} */
const FLAGS = [
  ["late", "late", "late"],
  ["risk", "risk", `under ${RISK_PERCENT} % chance`],
  ["failed", "failed", "check failed"],
  ["hold", "hold", "on hold"],
  ["unplanned", "failed", "without a place"],
  ["unreported", "risk", "not reported"],
];

/**
 * @param {Model} model
 * @param {HTMLElement} box
 * @param {Flag | ""} chosen
 * @param {(flag: Flag | "") => void} choose
 * @param {() => void} openProposal
 */
export function drawAlerts(model, box, chosen, choose, openProposal) {
  const made = [];
  const { repairs, plan } = model.board;
  if (repairs.proposal) {
    const button = element("button", "alert proposal", "A repair waits for you");
    button.type = "button";
    button.dataset.alert = "proposal";
    button.addEventListener("click", openProposal);
    made.push(button);
  }
  const open = model.flags.length;
  const good = model.flags.filter((flags) => !FLAGS.some(([flag]) => flags[flag])).length;
  const calm = element("span", "calm");
  calm.append(element("b", "", String(good)), ` of ${counted(open, "house")} as planned`);
  made.push(calm);
  for (const [flag, look, text] of FLAGS) {
    const count = model.flags.filter((flags) => flags[flag]).length;
    if (count === 0 && chosen !== flag) {
      continue;
    }
    const button = element("button", `alert ${look}`);
    button.type = "button";
    button.append(element("b", "", String(count)), ` ${text}`);
    button.dataset.alert = flag;
    button.setAttribute("aria-pressed", String(chosen === flag));
    button.addEventListener("click", () => choose(chosen === flag ? "" : flag));
    made.push(button);
  }
  if (!plan) {
    made.push(element("span", "calm", "No plan has been published yet."));
  }
  if (repairs.trouble) {
    made.push(element("span", "alert failed", `Repairs fail: ${repairs.trouble}`));
  }
  const shown = [...box.children];
  if (shown.length === made.length && made.every((one, at) => one.isEqualNode(shown[at] ?? null))) {
    return;
  }
  // Who has one of them under the keyboard keeps it there, whatever news comes in.
  const { activeElement } = document;
  const held = activeElement instanceof HTMLElement && box.contains(activeElement) ? activeElement.dataset.alert : undefined;
  box.replaceChildren(...made);
  if (held) {
    made.find((one) => one.dataset.alert === held)?.focus({ preventScroll: true });
  }
}
