// Clocks of what runs on the page: waits until they are over.

import { length, now } from "./dom.js";

/** Tells how long each wait still takes. */
export function tick() {
  for (const wait of document.querySelectorAll("[data-until]")) {
    if (!(wait instanceof HTMLElement)) continue;
    const left = wait.querySelector(".left");
    const rest = Date.parse(wait.dataset["until"] ?? "") - now();
    const latest = Date.parse(wait.dataset["latest"] ?? "") - now();
    const over = rest <= 0;
    wait.classList.toggle("over", over);
    if (!left) continue;
    const late = Number.isNaN(latest) ? "" : latest <= 0 ? ", and too late" : `, ${length(latest)} left to begin`;
    const text = over ? `Over${late}` : length(rest);
    if (left.textContent !== text) left.textContent = text;
  }
}
