// Alarms that gloves and noise do not hide: seen on the page, heard and felt where the phone allows it, until somebody says
// that they know.

import { button, make, must } from "./dom.js";

const AGAIN_MILLISECONDS = 2_500;
/** @type {AudioContext | undefined} */
let audio;
/** @type {Map<string, {node: HTMLElement, timer: number}>} */
const ringing = new Map();
/** Somebody has said that they know. @type {Set<string>} */
const known = new Set();

/** Sound is allowed only after somebody has touched the page. */
export function listenForTouch() {
  addEventListener(
    "pointerdown",
    () => {
      if (!audio && "AudioContext" in window) audio = new AudioContext();
      void audio?.resume();
    },
    { passive: true },
  );
}

/** @param {number} hertz */
function beep(hertz) {
  if (audio?.state === "running") {
    const [tone, loudness] = [audio.createOscillator(), audio.createGain()];
    tone.frequency.value = hertz;
    tone.type = "square";
    loudness.gain.setValueAtTime(0.25, audio.currentTime);
    loudness.gain.exponentialRampToValueAtTime(0.001, audio.currentTime + 0.6);
    tone.connect(loudness).connect(audio.destination);
    tone.start();
    tone.stop(audio.currentTime + 0.6);
  }
  // Before a touch the browser refuses, and says so in the console.
  if ("vibrate" in navigator && navigator.userActivation?.hasBeenActive) navigator.vibrate([300, 150, 300]);
}

/**
 * Rings until it is stopped.
 * @param {string} id one alarm rings once
 * @param {"now" | "late"} grave
 * @param {string} text
 */
export function ring(id, grave, text) {
  if (ringing.has(id) || known.has(id)) return;
  const node = make(`div.alarm.${grave}`, { role: "alert", "data-alarm": id }, make("p", {}, text));
  node.append(
    button("known", "I know", () => {
      known.add(id);
      stop(id);
    }),
  );
  must("#alarms").append(node);
  const sound = () => beep(grave === "late" ? 880 : 523);
  sound();
  ringing.set(id, { node, timer: setInterval(sound, AGAIN_MILLISECONDS) });
}

/** @param {string} id */
export function stop(id) {
  const found = ringing.get(id);
  if (!found) return;
  clearInterval(found.timer);
  found.node.remove();
  ringing.delete(id);
}
