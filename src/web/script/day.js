// A crew's day on its phone. Reports go into a queue on the phone and from there to the server; the page shows at once what
// they change, and is loaded anew when they have arrived.

import { json } from "./request.js";
import { listenForTouch } from "./day/alarm.js";
import { askTimes } from "./day/ask.js";
import { Cards } from "./day/cards.js";
import { tick } from "./day/clocks.js";
import { clock, identifier, make, must } from "./day/dom.js";
import { instant } from "./day/events.js";
import { Sender } from "./day/keep.js";
import { drawOutbox } from "./day/outbox.js";
import { Queue } from "./day/queue.js";
import { openReadings, takeBack } from "./day/readings.js";
import { forget, keepAtHand, refresh } from "./day/refresh.js";

/** @typedef {import("./day/queue.js").Entry} Entry */

const SECOND = 1_000;
/** What the office changes is seen after so long. */
const LOOK_AGAIN = 120 * SECOND;

const main = must("#content");
const crew = main.dataset["crew"] ?? "";
const queue = new Queue(crew);
/** @type {import("./day/keep.js").Line} */
let line = "idle";
let atHand = true;

/** @param {Entry} entry */
function tell(entry) {
  if (!queue.add(entry)) alert("This phone cannot keep the report: its storage is full or switched off. It is sent only while this page is open.");
  sender.soon();
}

const cards = new Cards(crew, tell);

const sender = new Sender(queue, {
  line: (now) => {
    line = now;
    drawLine();
    if (now === "idle") void look();
  },
  sent: async (entry) => {
    if (entry.event.kind !== "readings_taken") return undefined;
    return verdict(entry).catch(() => undefined);
  },
  renew: async () => ["new", "same"].includes(await look()),
});

/**
 * What the readings have come to.
 * @param {Entry} entry
 */
async function verdict(entry) {
  const { items } = await json("GET", `/v1/jobs/${encodeURIComponent(entry.event.job)}/checks`);
  const check = items.find((/** @type {any} */ one) => one.step === entry.event.step);
  const round = check?.rounds.at(-1);
  if (!round) return undefined;
  const found = round.verdict?.in_words ?? (round.outcome === "done" ? "passes" : "does not pass");
  const prediction = check.prediction?.in_words;
  return [found, prediction].filter(Boolean).map((text) => `${text.charAt(0).toUpperCase()}${text.slice(1)}.`).join(" ");
}

function drawLine() {
  const waiting = queue.all().filter((entry) => entry.state === "waiting").length;
  const reports = waiting === 1 ? "1 report" : `${waiting} reports`;
  const net = must("#net");
  net.dataset["line"] = line;
  const refused = queue.all().filter((entry) => entry.state === "refused").length;
  const arrived = refused ? "Not every report was taken: see below." : `All reports have arrived. ${clock(Date.now())}`;
  const words = {
    idle: waiting ? `${reports} to send.` : arrived,
    sending: `Sending ${reports} …`,
    offline: waiting ? `No net. ${reports} kept on this phone, sent when the net is back.` : "No net. This is the day as it was last seen.",
    "signed-out": `This phone is signed out. ${waiting ? `${reports} kept here.` : ""} `,
  };
  net.replaceChildren(words[line]);
  if (line === "signed-out") net.append(make("a", { href: "/sign-in?to=/day" }, "Sign in again"), ", or open the crew's link.");
  if (!atHand) net.append(" Without https this page does not open without a net: keep it open.");
}

function draw() {
  const entries = queue.all();
  cards.draw(entries);
  drawOutbox(entries, { edit, drop: (entry) => queue.drop(entry.id) });
  drawLine();
}

/** @param {Entry} entry */
function edit(entry) {
  const card = cards.of(entry);
  if (entry.event.readings && card) {
    takeBack(crew, card, entry);
    queue.drop(entry.id);
    openReadings(crew, card, tell);
    return;
  }
  const began = entry.event.started_at;
  const times = /** @type {{name: "began" | "at", label: string, at: number}[]} */ ([
    ...(began ? [{ name: "began", label: "Began", at: Date.parse(began) }] : []),
    { name: "at", label: "When", at: Date.parse(entry.at) },
  ]);
  askTimes(entry.title, times, ({ began, at }) => {
    const event = { ...entry.event, ...(began === undefined ? {} : { started_at: instant(began) }) };
    queue.drop(entry.id);
    const { id: _, refusal: __, ...rest } = entry;
    // The server may have kept the refused one under its identifier.
    tell({ ...rest, id: identifier(), at: instant(at), event, state: "waiting" });
  });
}

/** @type {ReturnType<typeof lookOnce> | undefined} */
let looking;
let again = false;

/** Loads the day anew, one time after the other: an older answer never comes over a newer one. */
async function look() {
  if (looking) {
    again = true;
    return looking;
  }
  do {
    again = false;
    looking = lookOnce();
    await looking.catch(() => {});
  } while (again);
  const last = looking;
  looking = undefined;
  return last;
}

/** What had arrived before is known to the day as it is loaded. */
async function lookOnce() {
  const arrived = new Set(queue.all().filter((entry) => entry.state === "sent").map((entry) => entry.id));
  const found = await refresh(() => {});
  if (found === "new" || found === "same") {
    const entries = queue.all();
    const changed = entries.some((entry) => arrived.has(entry.id) && !entry.seen);
    if (changed) queue.put(entries.map((entry) => (arrived.has(entry.id) ? { ...entry, seen: true } : entry)));
    else if (found === "new") draw();
    if (line === "offline" && !queue.next()) line = "idle";
  } else {
    line = found;
  }
  drawLine();
  return found;
}

/** Whoever signs out leaves no copy behind; reports that have not arrived stay for whoever comes in for the crew again. */
function guardSignOut() {
  const form = document.querySelector('form[action="/sign-out"]');
  form?.addEventListener("submit", (event) => {
    const waiting = queue.all().filter((entry) => entry.state === "waiting").length;
    if (waiting > 0 && !confirm(`${waiting} reports have not arrived yet. They stay on this phone until it is signed in again. Sign out?`)) {
      event.preventDefault();
      return;
    }
    void forget();
  });
}

queue.onChange(draw);
listenForTouch();
guardSignOut();
draw();
setInterval(() => {
  cards.tick();
  tick();
}, SECOND);
tick();
setInterval(() => {
  if (document.visibilityState === "visible") sender.soon();
}, LOOK_AGAIN);
addEventListener("offline", () => {
  line = "offline";
  drawLine();
});
sender.soon();
void keepAtHand().then((kept) => {
  atHand = kept;
  main.dataset["atHand"] = String(kept);
  drawLine();
});
