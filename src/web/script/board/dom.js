// Making elements. Positions go through the style's own interface: the page's policy allows no style attributes.

/**
 * @template {keyof HTMLElementTagNameMap} T
 * @param {T} tag
 * @param {string} [className]
 * @param {string} [text]
 * @returns {HTMLElementTagNameMap[T]}
 */
export function element(tag, className = "", text = "") {
  const made = document.createElement(tag);
  if (className) {
    made.className = className;
  }
  if (text) {
    made.textContent = text;
  }
  return made;
}

const SVG = "http://www.w3.org/2000/svg";

/**
 * @param {string} tag
 * @param {Record<string, string | number>} attributes
 * @param {string} [text]
 * @returns {SVGElement}
 */
export function svg(tag, attributes, text = "") {
  const made = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) {
    made.setAttribute(name, String(value));
  }
  if (text) {
    made.textContent = text;
  }
  return made;
}

/**
 * Lays an element along the time, in pixels.
 * @param {HTMLElement} made
 * @param {number} left
 * @param {number} width
 * @returns {HTMLElement}
 */
export function lay(made, left, width) {
  made.style.setProperty("left", `${left.toFixed(1)}px`);
  made.style.setProperty("width", `${Math.max(width, 1).toFixed(1)}px`);
  return made;
}

/**
 * An element that the server's page has.
 * @template {Element} T
 * @param {string} id
 * @param {new () => T} kind
 * @returns {T}
 */
export function byId(id, kind) {
  const found = document.getElementById(id);
  if (!(found instanceof kind)) {
    throw new Error(`the page has no ${id}`);
  }
  return found;
}
