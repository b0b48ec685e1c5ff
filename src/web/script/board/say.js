// What is said to whoever looks and to whoever listens, and buttons.

import { byId, element } from "./dom.js";

/** How long what is said stays in sight, milliseconds. */
const SHOWN = 7_000;
const toast = element("div", "toast");
toast.hidden = true;
// It is said in the live region already.
toast.setAttribute("aria-hidden", "true");
let timer = 0;

/** @param {string} text */
export function say(text) {
  byId("board-say", HTMLElement).textContent = text;
  if (!toast.isConnected) {
    byId("content", HTMLElement).append(toast);
  }
  toast.textContent = text;
  toast.hidden = false;
  window.clearTimeout(timer);
  timer = window.setTimeout(() => {
    toast.hidden = true;
  }, SHOWN);
}

/**
 * Says what went wrong.
 * @param {unknown} error
 * @returns {string} what was said
 */
export function complain(error) {
  const problem = error && typeof error === "object" && "problem" in error ? /** @type {any} */ (error).problem : null;
  const first = problem?.errors?.[0];
  const told = first ? `${first.what ?? first.detail ?? ""} To cure it: ${first.cure ?? problem.cure}.` : problem?.cure;
  const text = problem ? `${problem.detail}. ${told}` : error instanceof Error ? error.message : String(error);
  say(text);
  return text;
}

/**
 * @param {string} text
 * @param {string} className
 * @param {() => unknown} act
 */
export function button(text, className, act) {
  const made = element("button", className, text);
  made.type = "button";
  made.addEventListener("click", () => void act());
  return made;
}
