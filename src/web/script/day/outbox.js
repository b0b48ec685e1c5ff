// What has become of the reports of this phone: those that wait for a net, those that were refused and why, and what was
// said to those that arrived.

import { button, clock, make, must } from "./dom.js";

/** @typedef {import("./queue.js").Entry} Entry */

/**
 * @param {Entry[]} entries
 * @param {{edit: (entry: Entry) => void, drop: (entry: Entry) => void}} choices
 */
export function drawOutbox(entries, choices) {
  const of = (/** @type {Entry["state"]} */ state) => entries.filter((entry) => entry.state === state);
  const [refused, waiting, sent] = [of("refused"), of("waiting"), of("sent")];
  const nodes = refused.map((entry) => conflict(entry, choices));
  const answered = sent.filter((entry) => entry.answer).at(-1);
  if (answered) nodes.push(make("div.good", { role: "status", "data-answer": answered.id }, make("p", {}, make("b", {}, answered.title)), make("p", {}, answered.answer ?? "")));
  must("#outbox").replaceChildren(...nodes);
  const lists = [];
  if (waiting.length > 0) lists.push(list("Wait for the net", waiting));
  if (sent.length > 0) lists.push(list("Arrived", sent));
  must("#told").replaceChildren(...lists);
}

/**
 * @param {Entry} entry
 * @param {{edit: (entry: Entry) => void, drop: (entry: Entry) => void}} choices
 */
function conflict(entry, choices) {
  const problem = entry.refusal?.problem;
  const node = make("div.fault.conflict", { role: "alert", "data-refused": entry.id });
  node.append(make("p", {}, make("b", {}, `Not taken: ${entry.title}`), ` ${clock(entry.at)}`));
  const errors = problem?.errors?.length ? problem.errors : [{ detail: problem?.detail ?? "The server refused it.", cure: problem?.cure ?? "" }];
  for (const { detail, cure } of errors) {
    node.append(make("p", {}, sentence(detail)));
    if (cure) node.append(make("p", {}, make("b", {}, "What helps: "), sentence(cure)));
  }
  const edit = button("edit", "Change and send", () => choices.edit(entry));
  const drop = button("drop", "Drop it", () => choices.drop(entry));
  node.append(make("div.acts", {}, edit, drop));
  return node;
}

/** @param {string} text */
function sentence(text) {
  const plain = text.replace(/\d{4}-\d\d-\d\dT[\d:.]+(Z|[+-]\d\d:\d\d)/g, (instant) => clock(instant));
  const begun = plain.charAt(0).toUpperCase() + plain.slice(1);
  return /[.!?]$/.test(begun) ? begun : `${begun}.`;
}

/**
 * @param {string} title
 * @param {Entry[]} entries
 */
function list(title, entries) {
  const lines = entries.map((entry) => make("li", { "data-entry": entry.id }, `${clock(entry.at)} ${entry.title}`));
  return make("details.told", {}, make("summary", {}, `${title}: ${entries.length}`), make("ul", {}, ...lines));
}
