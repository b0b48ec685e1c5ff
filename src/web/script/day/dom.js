// Small things that all parts of a crew's day need: elements, times in words, identifiers.

/**
 * Makes an element.
 * @param {string} tag with classes, such as `p.aside`
 * @param {Record<string, string>} [attributes]
 * @param {...(Node | string)} children
 * @returns {HTMLElement}
 */
export function make(tag, attributes = {}, ...children) {
  const [name, ...classes] = tag.split(".");
  const made = document.createElement(name ?? "div");
  made.classList.add(...classes);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

/**
 * A button that does something.
 * @param {string} kind classes, such as `go`
 * @param {string} text
 * @param {() => void} act
 * @returns {HTMLButtonElement}
 */
export function button(kind, text, act) {
  const made = document.createElement("button");
  made.type = "button";
  made.className = kind;
  made.textContent = text;
  made.addEventListener("click", act);
  return made;
}

/**
 * The element of that selector, which the page has.
 * @param {string} selector
 * @returns {HTMLElement}
 */
export function must(selector) {
  const found = document.querySelector(selector);
  if (!(found instanceof HTMLElement)) throw new Error(`the page has no ${selector}`);
  return found;
}

const timeZone = document.querySelector("main")?.dataset["zone"] ?? "UTC";
const [minutes, seconds] = [{}, { second: "2-digit" }].map((more) => {
  return new Intl.DateTimeFormat("en-GB", /** @type {Intl.DateTimeFormatOptions} */ ({ timeZone, hour: "2-digit", minute: "2-digit", hourCycle: "h23", ...more }));
});

/**
 * The crew's wall clock, as everywhere on the page, such as `07:30` or `07:30:05`.
 * @param {number | string} at
 * @param {boolean} [exactly]
 * @returns {string}
 */
export function clock(at, exactly = false) {
  return (exactly ? seconds : minutes)?.format(new Date(at)) ?? "";
}

/**
 * How long, such as `2 h 05 min`, `12:05` under an hour.
 * @param {number} milliseconds
 */
export function length(milliseconds) {
  const all = Math.max(0, Math.ceil(milliseconds / 1000));
  const [hours, minutes, seconds] = [Math.floor(all / 3600), Math.floor(all / 60) % 60, all % 60];
  const two = (/** @type {number} */ part) => String(part).padStart(2, "0");
  if (hours >= 48) return `${Math.floor(hours / 24)} days ${hours % 24} h`;
  return hours > 0 ? `${hours} h ${two(minutes)} min` : `${minutes}:${two(seconds)}`;
}

/**
 * What a document kept in this browser says; `otherwise` if there is none, or it cannot be read.
 * @template T
 * @param {string} key
 * @param {T} otherwise
 * @returns {T}
 */
export function kept(key, otherwise) {
  try {
    const text = localStorage.getItem(key);
    return text === null ? otherwise : JSON.parse(text);
  } catch {
    return otherwise;
  }
}

/**
 * Keeps a document in this browser.
 * @param {string} key
 * @param {unknown} value `null`: no longer
 * @returns {boolean} whether it is kept
 */
export function keep(key, value) {
  try {
    if (value === null) localStorage.removeItem(key);
    else localStorage.setItem(key, JSON.stringify(value));
    return true;
  } catch {
    return false;
  }
}

/** A new identifier (RFC 9562, version 4), on pages without TLS too. */
export function identifier() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = ((bytes[6] ?? 0) & 0x0f) | 0x40;
  bytes[8] = ((bytes[8] ?? 0) & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
}

const SKEW_KEY = "tackfree.day.skew";
/** A phone's clock that is off by less is taken for right. */
const SKEW_MIN_MILLISECONDS = 20_000;
let skew = kept(SKEW_KEY, 0);

/**
 * Compares this phone's clock with the server's.
 * @param {string} at the server's
 */
export function tell(at) {
  const off = Date.parse(at) - Date.now();
  skew = Math.abs(off) < SKEW_MIN_MILLISECONDS ? 0 : off;
  keep(SKEW_KEY, skew);
}

/** Now, by the server's clock as far as it is known: reports from a phone that is ahead would be from the future. */
export function now() {
  return Date.now() + skew;
}
