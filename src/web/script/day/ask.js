// Questions to somebody with gloves on: a sheet from below with large keys.

import { button, make } from "./dom.js";

/**
 * A sheet over the page; it closes with its own button, with Escape, and when `close` is called.
 * @param {string} title
 * @param {string} kind a class
 * @returns {{dialog: HTMLDialogElement, body: HTMLElement, close: () => void}}
 */
export function sheet(title, kind) {
  const dialog = /** @type {HTMLDialogElement} */ (make(`dialog.sheet.${kind}`, { "aria-label": title }));
  const close = () => dialog.close();
  const head = make("header", {}, make("h2", { tabindex: "-1", autofocus: "" }, title), button("close", "Close", close));
  const body = make("div.body");
  dialog.append(head, body);
  dialog.addEventListener("close", () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
  return { dialog, body, close };
}

/**
 * Ten digits, one to take back and one to go on; the keyboard does the same while the pad is shown.
 * @param {string} enter what the key to go on says
 * @param {(key: "enter" | "back" | number) => void} press
 * @returns {HTMLElement}
 */
export function keypad(enter, press) {
  const pad = make("div.keypad", { role: "group", "aria-label": "Digits" });
  const digit = (/** @type {number} */ value) => button("digit", String(value), () => press(value));
  const back = button("back", "⌫", () => press("back"));
  back.setAttribute("aria-label", "Take back");
  pad.append(...[1, 2, 3, 4, 5, 6, 7, 8, 9].map(digit), back, digit(0), button("enter", enter, () => press("enter")));
  return pad;
}

/**
 * Lets the keyboard press the keys of a pad.
 * @param {HTMLElement} within
 * @param {(key: "enter" | "back" | number) => void} press
 */
export function keyboard(within, press) {
  within.addEventListener("keydown", (event) => {
    const onButton = event.target instanceof HTMLButtonElement && event.key === "Enter";
    if (/^[0-9]$/.test(event.key)) press(Number(event.key));
    else if (event.key === "Backspace") press("back");
    else if (event.key === "Enter" && !onButton) press("enter");
    else return;
    event.preventDefault();
  });
}

const MINUTES = [15, 30, 45, 60, 90, 120, 180, 240, 360, 480];

/**
 * How much work is left?
 * @param {string} what
 * @param {(minutes: number) => void} answer
 */
export function askRest(what, answer) {
  const { body, close } = sheet("Pause: how much is left?", "rest");
  const words = (/** @type {number} */ minutes) => (minutes < 60 ? `${minutes} min` : `${minutes / 60} h`);
  const choose = (/** @type {number} */ minutes) =>
    button("choice", words(minutes), () => {
      close();
      answer(minutes);
    });
  body.append(make("p", {}, `${what}: work that is left for your crew, about.`));
  body.append(make("div.choices", {}, ...MINUTES.map(choose)));
}

/**
 * A time as `datetime-local` writes it.
 * @param {number} at
 */
function written(at) {
  const local = new Date(at - new Date(at).getTimezoneOffset() * 60_000);
  return local.toISOString().slice(0, 16);
}

/**
 * When did it begin and end?
 * @param {string} title
 * @param {{name: "began" | "at", label: string, at: number}[]} times
 * @param {(times: {began: number | undefined, at: number}) => void} answer
 */
export function askTimes(title, times, answer) {
  const { body, close } = sheet(title, "times");
  const wrong = make("p.fault", { role: "alert", hidden: "" });
  const fields = times.map(({ name, label, at }) => {
    const input = /** @type {HTMLInputElement} */ (make("input", { type: "datetime-local", name, value: written(at) }));
    return { name, at, input, label: make("label", {}, label, input) };
  });
  // A minute that nobody has touched keeps its seconds.
  const given = (/** @type {string} */ name) => {
    const field = fields.find((field) => field.name === name);
    if (!field) return undefined;
    return field.input.value === written(field.at) ? field.at : new Date(field.input.value).getTime();
  };
  const send = button("main", "Report it so", () => {
    const [began, at] = [given("began"), given("at")];
    const bad = at === undefined || Number.isNaN(at) || (began !== undefined && !(began < at)) ? "It begins before it ends; give both." : "";
    wrong.textContent = bad;
    wrong.hidden = bad === "";
    if (bad || at === undefined) return;
    close();
    answer({ began, at });
  });
  body.append(make("div.fields", {}, ...fields.map((field) => field.label), wrong, send));
}
