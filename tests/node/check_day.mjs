// A crew's day on a phone, in a real browser: start and finish, a reading that fails and what the plan makes of it, a dead
// spot with a reload in it, a report that is refused, a treatment with its alarms.
//
//   cargo build --bins && node tests/node/check_day.mjs

import assert from "node:assert/strict";
import {
  SIZES, SOON, axe, fitsAcross, leads, noConsoleErrors, open, openLink, openPage, run, screenshot, signIn, test,
} from "./browser.mjs";

/** Chromium itself tells of replies with such a status, and of requests without a net. */
const status = (...codes) => new RegExp(`status of (${codes.join("|")})`);
const NO_NET = /ERR_INTERNET_DISCONNECTED|status of 0/;

const DAYS = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
const ALWAYS = { week: [{ days: DAYS, from: "00:00", to: "24:00" }] };
/** A zone where it is far from midnight, so that what is done in the next hours is done today. */
const hourIn = (timeZone) => Number(new Intl.DateTimeFormat("en-GB", { timeZone, hour: "numeric", hourCycle: "h23" }).format());
const ZONE = ["America/New_York", "Asia/Tokyo", "Europe/Berlin", "Pacific/Auckland", "America/Los_Angeles"].find((zone) => hourIn(zone) >= 4 && hourIn(zone) < 14);

const AREAS = [{ name: "Hall", area_sqft: 100 }, { name: "Study", area_sqft: 100 }];
/** @type {Map<string, {steps: object[], waits: object[]}>} */
const CHAINS = new Map([
  ["walnut", {
    steps: [
      { key: "sand", name: "Sand", kind: "sand", minutes: 40, dividable: true, notes: "Nails in the hall." },
      { key: "readings", name: "Moisture readings", kind: "check", minutes: 15, recheck_after_minutes: 240, meter: { kind: "pinless" } },
      { key: "coat", name: "First coat", kind: "coat", minutes: 30 },
    ],
    waits: [{ from: "sand", to: "readings" }, { from: "readings", to: "coat" }],
  }],
  ["elm", { steps: [{ key: "sand", name: "Sand", kind: "sand", minutes: 30, dividable: true }, { key: "edge", name: "Edge", kind: "edge", minutes: 30 }], waits: [{ from: "sand", to: "edge" }] }],
  ["oak", { steps: [{ key: "sand", name: "Sand", kind: "sand", minutes: 30 }], waits: [] }],
  ["maple", {
    steps: [
      { key: "treat-a", name: "Treat, part A", kind: "treat_a", minutes: 20 },
      { key: "treat-b", name: "Treat, part B", kind: "treat_b", minutes: 20 },
    ],
    waits: [{ from: "treat-a", to: "treat-b", kind: "dwell", min_minutes: 10, max: { minutes: 15, on_exceed: "forbid" } }],
  }],
  ["fir", {
    people: 1,
    areas: [{ name: "Living room", area_sqft: 300 }, { name: "Hall", area_sqft: 100 }],
    steps: [["treat-a", "A", 20], ["treat-b", "B", 15]].map(([key, part, rate]) => {
      return { key, name: `Treat, part ${part}`, kind: `treat_${part.toLowerCase()}`, rolling: { sqft_per_minute: rate, even_out_seconds: 60, change_over_seconds: 120 } };
    }),
    waits: [{ from: "treat-a", to: "treat-b", kind: "dwell", min_minutes: 10, max: { minutes: 15, on_exceed: "forbid" } }],
  }],
  ["ash", {
    steps: [{ key: "coat-1", name: "First coat", kind: "coat", minutes: 30 }, { key: "coat-2", name: "Second coat", kind: "coat", minutes: 30 }],
    waits: [{ from: "coat-1", to: "coat-2", min_minutes: 180, film: "waterborne", keep_off: true, max: { minutes: 2_880, on_exceed: "forbid" } }],
  }],
]);

async function api(demo, method, path, body, headers = {}) {
  const init = { method, headers: { Authorization: `Bearer ${demo.token}`, ...headers } };
  if (body) {
    init.headers["Content-Type"] = "application/json";
    init.body = JSON.stringify(body);
  }
  const response = await fetch(new URL(path, demo.base), init);
  const text = await response.text();
  assert.ok(response.ok, `${method} ${path}: ${response.status} ${text}`);
  return text === "" ? null : JSON.parse(text);
}

async function until(what, ask) {
  const end = Date.now() + 2 * SOON;
  for (;;) {
    const found = await ask();
    if (found) return found;
    assert.ok(Date.now() < end, `in vain: ${what}`);
    await new Promise((resolve) => setTimeout(resolve, 250));
  }
}

/** A crew of its own, with one job that its name says, and its phone, signed in. */
async function phoneOf(demo, chromium, job, look = {}) {
  const { steps, waits, areas = AREAS, people = 2 } = CHAINS.get(job);
  await api(demo, "POST", "/v1/crews", { key: `crew-${job}`, name: `Crew ${job}`, head_count: people, skills: [], time_zone: ZONE, calendar: ALWAYS });
  await api(demo, "POST", "/v1/houses", { key: job, name: `${job} Street 4`, address: `${job} Street 4, Harrow Falls`, location: { latitude_deg: 40.7, longitude_deg: -74 }, time_zone: ZONE, access: ALWAYS, areas, built_year: 1924 });
  const pins = steps.map(({ key }) => ({ step: key, crew: `crew-${job}` }));
  await api(demo, "POST", "/v1/jobs", { key: job, name: `Floors of ${job} Street`, house: job, release: `${new Date(Date.now() - 60_000).toISOString().slice(0, 16)}:00Z`, steps, waits, pins });
  await until("a published plan with the job", async () => {
    const { works } = (await api(demo, "GET", `/v1/crew-days/crew-${job}`)).day;
    if (works.length === steps.length) return true;
    const draft = await api(demo, "POST", "/v1/plans", { move_budget: 50 });
    await api(demo, "POST", `/v1/plans/${draft.id}/publication`, undefined, { "If-Match": "*" }).catch(() => {});
    return false;
  });
  const office = await openPage(chromium);
  await signIn(office, demo);
  await office.select(".fields.row select[name=crew]", `crew-${job}`);
  await office.type(".fields.row input[name=name]", `Phone ${job}`);
  await leads(office, () => office.click(".fields.row button.main"));
  const link = await office.$eval(".once code[data-copy]", (code) => code.textContent);
  noConsoleErrors(office);
  const phone = await openPage(chromium, { size: SIZES.phone, ...look });
  await openLink(phone, demo, link);
  await atHand(phone);
  return phone;
}

const atHand = (phone) => phone.waitForSelector("main[data-at-hand=true]");
const card = (step) => `#todo details[data-step="${step}"]`;
const pressed = (phone, selector, words) =>
  phone.waitForFunction(
    (selector, words) => [...document.querySelectorAll(`${selector} button`)].some((one) => one.textContent.startsWith(words) && !one.disabled),
    {}, selector, words,
  ).then(() => phone.$$eval(`${selector} button`, (all, words) => all.find((one) => one.textContent.startsWith(words)).click(), words));
const stands = (phone, step, standing) => phone.waitForSelector(`details[data-step="${step}"][data-standing="${standing}"]`);
/** A second tap that comes too soon counts for none. */
const calm = () => new Promise((resolve) => setTimeout(resolve, 1_000));
const arrived = (phone) => phone.waitForFunction(() => document.querySelector("#net").dataset.line === "idle" && /arrived/.test(document.querySelector("#net").textContent));
const told = async (demo, job) => (await api(demo, "GET", `/v1/events?job=${job}`)).items.filter(({ kind }) => /^(step|readings|check|re_wet)/.test(kind)).reverse();

/** What each target was told of the net it was told in a session, and only that session can take it back. */
const sessions = new WeakMap();

/** The net goes, or comes back: for the page and for its worker, which has requests of its own. */
async function net(phone, there) {
  const conditions = { offline: !there, latency: 0, downloadThroughput: -1, uploadThroughput: -1 };
  const workers = phone.browserContext().targets().filter((target) => target.type() === "service_worker");
  assert.ok(workers.length > 0, "there is a worker");
  // Puppeteer's own `setOfflineMode` speaks to newer browsers only.
  for (const target of [phone.target(), ...workers]) {
    const session = sessions.get(target) ?? (await target.createCDPSession());
    sessions.set(target, session);
    await session.send("Network.enable");
    await session.send("Network.emulateNetworkConditions", conditions);
  }
}

test("a phone starts and finishes; readings that fail change the plan and the office's board", async ({ demo, chromium }) => {
  const phone = await phoneOf(demo, chromium, "walnut");
  assert.equal(await phone.$eval("#todo details[open]", (one) => one.dataset.step), "sand", "what comes next stands open");
  assert.equal(await phone.$eval(`${card("sand")} .address a`, (one) => one.getAttribute("href")), "geo:40.7,-74");
  await fitsAcross(phone);
  await axe(phone, "a crew's day");
  await screenshot(phone, "day-phone-light");
  const small = await phone.$$eval("main button", (all) => all.filter((one) => one.offsetParent && one.getBoundingClientRect().height < 44).map((one) => one.textContent));
  assert.deepEqual(small, [], "buttons are for gloves");
  await pressed(phone, card("sand"), "Start");
  await stands(phone, "sand", "running");
  await calm();
  await pressed(phone, card("sand"), "Finish");
  await phone.waitForSelector('#over details[data-step="sand"]');
  await arrived(phone);
  const kinds = (await told(demo, "walnut")).map(({ kind }) => kind);
  assert.deepEqual(kinds, ["step_started", "step_finished"]);
  const before = (await api(demo, "GET", "/v1/crew-days/crew-walnut")).day.works.find(({ step }) => step === "coat");

  await calm();
  await pressed(phone, card("readings"), "Take readings");
  await phone.waitForSelector("dialog[open] .keypad");
  const type = async (tenths) => {
    for (const digit of String(tenths)) await pressed(phone, ".keypad", digit);
    await pressed(phone, ".keypad", "Take");
  };
  for (const tenths of [121, 124, 119, 122]) await type(tenths);
  await phone.reload({ waitUntil: "load" });
  await pressed(phone, card("readings"), "Take readings");
  await phone.waitForFunction(() => document.querySelector(".areas .full")?.textContent.startsWith("Hall 4/4"));
  for (const tenths of [81, 83, 80, 82]) await type(tenths);
  await phone.waitForSelector('.verdict[data-finding="fails"]');
  await axe(phone, "readings");
  await fitsAcross(phone);
  await screenshot(phone, "readings-phone-light");
  const office = await openPage(chromium, { size: SIZES.laptop });
  await signIn(office, demo, "/board");
  await office.waitForSelector("main[data-ready]");
  await office.waitForSelector(".line-state.is-live");
  const failed = () => office.$eval(".alert.failed b", (one) => Number(one.textContent)).catch(() => 0);
  const failedBefore = await failed();
  await pressed(phone, "dialog .ends", "Report");
  await phone.waitForFunction(() => /does not pass/i.test(document.querySelector("#outbox .good")?.textContent ?? ""));
  const [check] = (await api(demo, "GET", "/v1/jobs/walnut/checks")).items;
  assert.equal(check.rounds.at(-1).outcome, "failed");
  assert.equal(check.rounds.at(-1).verdict.areas.map(({ taken }) => taken).join(), "4,4");
  await until("the plan is repaired: the coat comes later", async () => {
    const day = await api(demo, "GET", "/v1/crew-days/crew-walnut");
    const works = [...day.day.works, ...(day.next_day?.works ?? [])];
    const coat = works.find(({ step }) => step === "coat");
    return !coat || Date.parse(coat.start) >= Date.parse(before.start) + 200 * 60_000;
  });
  await office.waitForFunction(() => /The board has changed/.test(document.querySelector("#board-say").textContent), { timeout: SOON });
  await until("the board counts one more failed check", async () => (await failed()) === failedBefore + 1);
  await screenshot(office, "board-failed-reading");
  noConsoleErrors(office);
  noConsoleErrors(phone);
});

test("a dead spot with a reload in it: each report arrives once, and in order", async ({ demo, chromium }) => {
  const phone = await phoneOf(demo, chromium, "elm", { dark: true });
  await net(phone, false);
  await pressed(phone, card("sand"), "Start");
  await stands(phone, "sand", "running");
  await calm();
  await pressed(phone, card("sand"), "Pause");
  await phone.waitForSelector("dialog[open]");
  await axe(phone, "how much is left");
  await screenshot(phone, "pause-phone-dark");
  await pressed(phone, "dialog", "30 min");
  await stands(phone, "sand", "paused");
  await phone.reload({ waitUntil: "load" });
  await stands(phone, "sand", "paused");
  await phone.waitForFunction(() => /No net. 2 reports kept/.test(document.querySelector("#net").textContent));
  assert.equal(await phone.$eval("#todo details[open] .acts button", (one) => one.textContent), "Go on");
  await fitsAcross(phone);
  await axe(phone, "a day without a net");
  await screenshot(phone, "dead-spot-phone-dark");
  assert.deepEqual(await told(demo, "elm"), [], "nothing has arrived");
  const made = await phone.evaluate(() => JSON.parse(localStorage.getItem("tackfree.day.queue.crew-elm")).map(({ id }) => id));
  await net(phone, true);
  await arrived(phone);
  const events = await told(demo, "elm");
  assert.deepEqual(events.map(({ id }) => id), made);
  assert.deepEqual(events.map(({ kind, standing }) => `${kind} ${standing}`), ["step_started applied", "step_paused applied"]);
  noConsoleErrors(phone, NO_NET);
});

test("a report that cannot be so is shown with why and what helps, and can be changed or dropped", async ({ demo, chromium }) => {
  const phone = await phoneOf(demo, chromium, "oak");
  await net(phone, false);
  await pressed(phone, card("sand"), "Start");
  await stands(phone, "sand", "running");
  const at = (minutes) => new Date(Date.now() - minutes * 60_000).toISOString().replace(/\.\d+/, "");
  const event = { kind: "step_finished", job: "oak", step: "sand", crew: "crew-oak", started_at: at(20) };
  await api(demo, "POST", "/v1/events", { id: crypto.randomUUID(), at: at(5), event });
  await net(phone, true);
  await phone.waitForSelector("#outbox .conflict");
  const said = await phone.$eval("#outbox .conflict", (one) => one.textContent);
  assert.match(said, /Not taken: Started: Sand, oak Street 4.*What helps: /s);
  await axe(phone, "a refused report");
  await screenshot(phone, "conflict-phone-light");
  await pressed(phone, "#outbox .conflict", "Change and send");
  await phone.waitForSelector("dialog[open] input[name=at]");
  await pressed(phone, "dialog", "Close");
  await pressed(phone, "#outbox .conflict", "Drop it");
  await phone.waitForFunction(() => !document.querySelector("#outbox .conflict"));
  assert.equal(await phone.evaluate(() => localStorage.getItem("tackfree.day.queue.crew-oak")), "[]");
  noConsoleErrors(phone, NO_NET, status(409, 422));
});

test("a treatment rings when part B may begin and when it is too late, and is reported part by part", async ({ demo, chromium }) => {
  const phone = await phoneOf(demo, chromium, "maple", { dark: true });
  await pressed(phone, card("treat-a"), "Start, section");
  await calm();
  await pressed(phone, card("treat-a"), "Part A begins");
  await calm();
  await pressed(phone, card("treat-a"), "Part A is rolled");
  await phone.waitForFunction(() => /not before/.test(document.querySelector(".dwell")?.textContent ?? ""));
  const back = (minutes) =>
    phone.evaluate((minutes) => {
      const key = Object.keys(localStorage).find((key) => key.startsWith("tackfree.day.treat."));
      const state = JSON.parse(localStorage.getItem(key));
      state.sections[0].a_from = Date.now() - minutes * 60_000;
      localStorage.setItem(key, JSON.stringify(state));
    }, minutes);
  await back(11);
  await phone.waitForSelector(".alarm.now");
  await axe(phone, "an alarm");
  await fitsAcross(phone);
  await screenshot(phone, "treatment-phone-dark");
  await pressed(phone, ".alarm", "I know");
  await phone.waitForFunction(() => !document.querySelector(".alarm"));
  await back(16);
  await phone.waitForSelector(".alarm.late");
  assert.match(await phone.$eval(".alarm", (one) => one.textContent), /too late/);
  await pressed(phone, ".alarm", "I know");
  await phone.reload({ waitUntil: "load" });
  await pressed(phone, card("treat-a"), "Part B begins");
  await calm();
  await pressed(phone, card("treat-a"), "Part B is rolled");
  await phone.waitForSelector('#over details[data-step="treat-b"]');
  await arrived(phone);
  const events = (await told(demo, "maple")).map(({ kind, event, standing }) => `${kind} ${event.step} ${standing}`);
  assert.deepEqual(events, ["step_started treat-a applied", "step_finished treat-a applied", "step_started treat-b applied", "step_finished treat-b applied"]);
  noConsoleErrors(phone);
});

test("a floor is treated section by section, and the server replans the rest", async ({ demo, chromium }) => {
  const phone = await phoneOf(demo, chromium, "fir");
  await pressed(phone, card("treat-a"), "Start, section");
  // One person, 300 and 100 sq ft, at most 168 in a section: see the test of the treatment's own page in the API.
  await phone.waitForFunction(() => document.querySelectorAll(".treatment .part").length === 3);
  const planned = await phone.$eval(".treatment", (one) => one.textContent);
  assert.match(planned, /Living room 0–150 sq ft/);
  await calm();
  const replanned = phone.waitForResponse((response) => response.url().endsWith("/treatment-plan") && response.request().method() === "POST");
  await pressed(phone, card("treat-a"), "Part A begins");
  assert.equal((await replanned).status(), 200);
  await calm();
  await pressed(phone, card("treat-a"), "Part A is rolled");
  await phone.waitForFunction(() => [...document.querySelectorAll(".treatment button")].map((one) => one.textContent).join().startsWith("Part B begins,Too dry: wet again with A,Part A begins"));
  await axe(phone, "sections");
  await fitsAcross(phone);
  await screenshot(phone, "sections-phone-light", { whole: true });
  noConsoleErrors(phone);
});

test("what dries has a clock, and who keeps off is told", async ({ demo, chromium }) => {
  const phone = await phoneOf(demo, chromium, "ash", { dark: true });
  await pressed(phone, card("coat-1"), "It is done already");
  await phone.waitForSelector("dialog[open] input[name=began]");
  await axe(phone, "when was it");
  await screenshot(phone, "times-phone-dark");
  await pressed(phone, "dialog", "Report it so");
  await arrived(phone);
  await phone.waitForFunction(() => /^[23] h \d\d min$/.test(document.querySelector(".running .left")?.textContent ?? ""));
  assert.match(await phone.$eval(".running", (one) => one.textContent), /Film dries after First coat.*then Second coat.*Keep off until then.*Begin no later than/s);
  assert.match(await phone.$eval(`${card("coat-2")} .not-yet`, (one) => one.textContent), /Not before .* Keep off\./);
  await axe(phone, "a wait");
  await screenshot(phone, "wait-phone-dark", { whole: true });
  noConsoleErrors(phone);
});

test("the office looks at any crew's day", async ({ demo, chromium }) => {
  const office = await openPage(chromium);
  await signIn(office, demo, "/day");
  await axe(office, "whose day");
  await leads(office, () => office.click(".choice-of-crews a"));
  await axe(office, "a day seen by the office");
  await fitsAcross(office);
  await screenshot(office, "day-laptop-light");
  await open(office, demo, "/day?crew=nobody", 404);
  noConsoleErrors(office, status(404));
  const phone = await openPage(chromium, { size: SIZES.phone, dark: true });
  await openLink(phone, demo);
  await axe(phone, "the demo's day, dark");
  await screenshot(phone, "day-demo-phone-dark", { whole: true });
  noConsoleErrors(phone);
});

await run();
