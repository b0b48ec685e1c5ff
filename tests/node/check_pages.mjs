// The door in a real browser: coming in with a right and a wrong password, pages for others, forms from elsewhere, crews'
// links, and being sent away.
//
//   cargo build --bins && node tests/node/check_pages.mjs

import assert from "node:assert/strict";
import {
  SIZES, axe, fitsAcross, leads, noConsoleErrors, open, openLink, openPage, run, screenshot, signIn, test,
} from "./browser.mjs";

/** Chromium itself tells that a page came with a status of an error. */
const status = (...codes) => new RegExp(`status of (${codes.join("|")})`);
const path = (page) => new URL(page.url()).pathname;
const isIn = (page) => page.evaluate(async () => (await fetch("/v1/crews")).ok);
const pressIn = (page, selector, word) =>
  leads(page, () => page.$$eval(`${selector} button`, (all, word) => all.find((one) => one.textContent.startsWith(word)).click(), word));

/** Adds somebody by the page; the password that is shown. */
async function add(page, demo, name, role) {
  await open(page, demo, "/people");
  await page.click("details.add summary");
  await page.type("form.fields input[name=name]", `Person ${name}`);
  await page.type("input[name=sign_in_name]", name);
  await page.click(`input[value=${role}]`);
  await leads(page, () => page.click("details.add button.main"));
  return page.$eval(".once dd code[data-copy]", (code) => code.textContent);
}

test("a wrong password is told, the right one leads on, and the cookie has its flags", async ({ demo, chromium }) => {
  const page = await openPage(chromium);
  await open(page, demo, "/people");
  assert.equal(path(page), "/sign-in", "whoever is not signed in is led to the door");
  await page.type("input[name=name]", demo.name.toUpperCase());
  await page.type("input[name=password]", "not the password");
  assert.equal((await leads(page, () => page.click("button.main"))).status(), 422);
  assert.match(await page.$eval("[role=alert]", (one) => one.textContent), /name or the password is wrong/);
  noConsoleErrors(page, status(422));
  await page.type("input[name=password]", demo.password);
  await leads(page, () => page.click("button.main"));
  assert.equal(path(page), "/people", "and back to where it wanted to go");
  const [cookie, ...others] = await page.browserContext().cookies();
  assert.deepEqual(others, []);
  assert.deepEqual([cookie.name, cookie.httpOnly, cookie.sameSite, cookie.path], ["tackfree", true, "Lax", "/"]);
  assert.equal(await page.evaluate(() => document.cookie), "", "no script sees it");
  noConsoleErrors(page);
});

test("a page that is for others says so", async ({ demo, chromium }) => {
  const office = await openPage(chromium);
  await signIn(office, demo);
  const password = await add(office, demo, "victor", "viewer");
  const page = await openPage(chromium);
  assert.equal((await signIn(page, demo, "/people", { name: "victor", password })).status(), 403);
  assert.match(await page.$eval("h1", (one) => one.textContent), /for others/);
  assert.equal(await page.$('.bar a[href="/people"]'), null, "nor does the bar lead there");
  await axe(page, "a page for others");
  noConsoleErrors(page, status(403));
  noConsoleErrors(office);
});

test("who changed what is read and filtered at every size", async ({ demo, chromium }) => {
  for (const [name, size] of Object.entries(SIZES)) {
    const page = await openPage(chromium, { size });
    await signIn(page, demo, "/changes");
    const all = await page.$$eval("ol.lines li", (rows) => rows.length);
    assert.ok(all > 3, `${all} changes at ${name}`);
    await fitsAcross(page);
    await axe(page, `changes, ${name}`);
    await screenshot(page, `changes-${name}`);
    await page.select("select[name=kind]", "house");
    await leads(page, () => page.$eval("main form select[name=kind]", (field) => field.form.requestSubmit()));
    const kinds = await page.$$eval("ol.lines li", (rows) => rows.map((row) => row.textContent));
    assert.ok(kinds.length > 0 && kinds.length < all && kinds.every((text) => /house/i.test(text)), kinds.join("\n"));
    noConsoleErrors(page);
  }
});

test("forms and scripts from elsewhere change nothing", async ({ demo, chromium }) => {
  const page = await openPage(chromium);
  await signIn(page, demo);
  await page.$eval(".bar form input[name=csrf]", (field) => (field.value = "guessed"));
  assert.equal((await leads(page, () => page.click(".bar form button"))).status(), 403);
  assert.match(await page.$eval("h1", (one) => one.textContent), /Nothing was done/);
  await open(page, demo, "/people");
  const statuses = await page.evaluate(async () => {
    const { send } = await import("/script/request.js");
    const body = { name: "wall", role: "viewer" };
    const bare = await fetch("/v1/tokens", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    const refused = (await bare.json()).code;
    const made = await send("POST", "/v1/tokens", body);
    const wrong = await send("POST", "/v1/tokens", { name: "" }).catch((error) => `${error.status} ${error.problem.code}`);
    return [bare.status, refused, made.status, wrong];
  });
  assert.deepEqual(statuses, [403, "csrf-token-needed", 201, "400 bad-json"]);
  noConsoleErrors(page, status(403, 400));
  // Another site on the same machine (ports do not make a site, names do).
  const elsewhere = await openPage(chromium, { context: page.browserContext() });
  await elsewhere.setRequestInterception(true);
  const form = `<form method="post" action="${demo.base}/sign-out"><button>Win</button></form>`;
  elsewhere.on("request", (request) =>
    request.url().startsWith("http://elsewhere.test/")
      ? request.respond({ contentType: "text/html", body: form })
      : request.continue(),
  );
  await elsewhere.goto("http://elsewhere.test/");
  await leads(elsewhere, () => elsewhere.click("button"));
  assert.ok(elsewhere.url().startsWith(demo.base) && (await isIn(page)), "it is led here, and nobody is signed out");
});

test("news reach a page that is signed in, by its cookie alone", async ({ demo, chromium }) => {
  const page = await openPage(chromium);
  await signIn(page, demo);
  const first = await page.evaluate(async () => {
    const source = new EventSource("/v1/stream?after=0");
    return new Promise((resolve, reject) => {
      source.addEventListener("plan.published", (event) => {
        source.close();
        resolve(JSON.parse(event.data).type ?? "plan.published");
      });
      source.onerror = () => reject(new Error("the stream ended"));
    });
  });
  assert.equal(first, "plan.published");
  noConsoleErrors(page);
});

test("a crew's link signs a phone in until it is taken back", async ({ demo, chromium }) => {
  const office = await openPage(chromium);
  await signIn(office, demo);
  await office.type(".fields.row input[name=name]", "Spare phone");
  await leads(office, () => office.click(".fields.row button.main"));
  const link = await office.$eval(".once code[data-copy]", (code) => code.textContent);
  const phone = await openPage(chromium, { size: SIZES.phone });
  await phone.goto(link, { waitUntil: "load" });
  assert.deepEqual(await phone.browserContext().cookies(), [], "looking at it does nothing");
  for (const dark of [false, true]) {
    const shown = await openPage(chromium, { size: SIZES.phone, dark });
    await shown.goto(link, { waitUntil: "load" });
    await axe(shown, "a crew's link");
    await fitsAcross(shown);
    await screenshot(shown, `link-phone-${dark ? "dark" : "light"}`);
  }
  await openLink(phone, demo, link);
  assert.equal(path(phone), "/day");
  assert.ok(await isIn(phone));
  await open(office, demo, "/people");
  await office.evaluate(() => {
    const cards = [...document.querySelectorAll(".card")];
    cards.find((card) => card.textContent.includes("Spare phone")).id = "spare";
  });
  await pressIn(office, "#spare", "Take back");
  assert.ok(!(await isIn(phone)), "signed out at once");
  assert.equal((await phone.goto(link)).status(), 404);
  noConsoleErrors(office);
});

test("signed out is out, here and when the office does it", async ({ demo, chromium }) => {
  const page = await openPage(chromium);
  await signIn(page, demo);
  const [cookie] = await page.browserContext().cookies();
  await leads(page, () => page.click(".bar form button"));
  assert.equal(path(page), "/sign-in");
  assert.deepEqual(await page.browserContext().cookies(), []);
  await page.browserContext().setCookie(cookie);
  await open(page, demo, "/people");
  assert.equal(path(page), "/sign-in", "the old cookie is worth nothing");
  noConsoleErrors(page);

  await signIn(page, demo);
  const password = await add(page, demo, "walter", "viewer");
  const other = await openPage(chromium);
  await signIn(other, demo, "/password", { name: "walter", password });
  await open(page, demo, "/people");
  await page.evaluate(() => {
    const cards = [...document.querySelectorAll(".card")];
    cards.find((card) => card.textContent.includes("Person walter")).id = "walter";
  });
  await pressIn(page, "#walter .where", "Sign out");
  await open(other, demo, "/password");
  assert.equal(path(other), "/sign-in");
  noConsoleErrors(page);
  noConsoleErrors(other);
});

test("the keyboard alone is enough", async ({ demo, chromium }) => {
  const page = await openPage(chromium);
  await open(page, demo, "/sign-in?to=/people");
  const focus = () => page.evaluate(() => document.activeElement?.getAttribute("name") ?? document.activeElement?.textContent);
  // The focus comes with the first frame, which may be after the page is loaded.
  await page.waitForFunction(() => document.activeElement?.getAttribute("name") === "name");
  await page.keyboard.type(demo.name);
  await page.keyboard.press("Tab");
  assert.equal(await focus(), "password");
  await page.keyboard.type(demo.password);
  await leads(page, () => page.keyboard.press("Enter"));
  await page.keyboard.press("Tab");
  assert.equal(await focus(), "Skip to the page");
  await page.keyboard.press("Enter");
  await page.keyboard.press("Tab");
  assert.equal(await focus(), "Add somebody", "past the bar");
  noConsoleErrors(page);
});

for (const [size, viewport] of Object.entries(SIZES)) {
  for (const dark of [false, true]) {
    const look = `${size}-${dark ? "dark" : "light"}`;
    test(`pages are clean at ${look}`, async ({ demo, chromium }) => {
      const page = await openPage(chromium, { size: viewport, dark });
      await open(page, demo, "/");
      await axe(page, `first page ${look}`);
      await screenshot(page, `first-${look}`);
      await open(page, demo, "/sign-in");
      await axe(page, `sign-in ${look}`);
      await fitsAcross(page);
      await screenshot(page, `sign-in-${look}`);
      await signIn(page, demo);
      await add(page, demo, `eve-${look}`, "crew");
      await axe(page, `a new person ${look}`);
      await screenshot(page, `added-${look}`);
      await open(page, demo, "/people");
      await axe(page, `people ${look}`);
      await fitsAcross(page);
      await screenshot(page, `people-${look}`);
      await page.click("details.add summary");
      await axe(page, `people, form ${look}`);
      await fitsAcross(page);
      await screenshot(page, `people-form-${look}`);
      await open(page, demo, "/password");
      await axe(page, `password ${look}`);
      await fitsAcross(page);
      await screenshot(page, `password-${look}`);
      noConsoleErrors(page);
    });
  }
}

await run();
