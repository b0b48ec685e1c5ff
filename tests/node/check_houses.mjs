// Houses, one house, its letter, calendars, tables and day sheets in a real browser, without a script's help where none is
// needed: filtered and sorted, looked at in three sizes, light and dark, and printed.
//
//   cargo build --bins && node tests/node/check_houses.mjs

import assert from "node:assert/strict";
import { mkdirSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import {
  SIZES, axe, fitsAcross, leads, noConsoleErrors, open, openPage, run, screenshot, signIn, test,
} from "./browser.mjs";

/** Chromium itself tells that a page came with a status of an error. */
const status = (...codes) => new RegExp(`status of (${codes.join("|")})`);
const text = (page, selector) => page.$eval(selector, (one) => one.textContent.replace(/\s+/g, " ").trim());
const names = (page) => page.$$eval(".standing .to", (all) => all.map((one) => one.textContent));
const press = (page, selector) => leads(page, () => page.click(selector));

/** What the printer gets, for people to look at. */
async function print(page, name) {
  if (!process.env.SCREENSHOTS) return;
  mkdirSync(process.env.SCREENSHOTS, { recursive: true });
  writeFileSync(join(process.env.SCREENSHOTS, `${name}.pdf`), await page.pdf({ preferCSSPageSize: true, printBackground: true }));
}

test("houses are found, filtered and sorted without a script", async ({ demo, chromium }) => {
  const page = await openPage(chromium);
  await page.setJavaScriptEnabled(false);
  await signIn(page, demo, "/houses");
  const all = await names(page);
  assert.ok(all.length >= 10, `${all}`);
  await page.type("input[name=q]", "linden");
  await press(page, ".sieve button");
  assert.deepEqual((await names(page)).map((name) => name.toLowerCase().includes("linden")), [true]);
  await open(page, demo, "/houses?show=failed");
  assert.deepEqual(await names(page), all.filter((name) => name.includes("Linden")), "the one whose check has failed");
  assert.match(await text(page, ".standing .flag"), /Readings failed|failed 2 times/);
  await open(page, demo, "/houses?sort=house");
  const sorted = await names(page);
  assert.deepEqual(sorted, [...all].sort());
  await press(page, ".standing .to");
  assert.equal(await text(page, "h1"), sorted[0]);
  noConsoleErrors(page);
});

test("a house shows its chain, its readings and the way to passing", async ({ demo, chromium }) => {
  const page = await openPage(chromium);
  await signIn(page, demo, "/houses/linden-27");
  assert.equal(await page.$$eval("svg.floor", (all) => all.length), 2, "both rounds");
  assert.equal(await page.$$eval("svg.floor", ([last]) => last.querySelectorAll(".frame").length), 3, "three areas");
  const out = await page.$$eval("table.readings-of:first-of-type .out", (all) => all.map((row) => row.textContent));
  assert.ok(out.some((row) => /Bedroom.*✕ out/.test(row)), `${out}`);
  assert.equal(await page.$$eval(".way polyline.mean", (all) => all.length), 3);
  assert.match(await text(page, ".outlook"), /within the limit from about/);
  assert.ok((await page.$$(".chain .wait")).length > 2, "waits stand between the steps");
  assert.match(await text(page, ".treatment"), /Section.*Part A.*Part B/);
  assert.match(await text(page, ".label-first"), /Label, safety data sheet/);
  await page.click(".round-before summary");
  await axe(page, "a house with an earlier round open");
  await press(page, ".of-customer a.button");
  assert.match(await text(page, ".letter"), /Your floors.*What may change these dates/);
  await axe(page, "the letter");
  await print(page, "letter");
  await screenshot(page, "letter-laptop-light", { whole: true });
  await open(page, demo, "/houses/nowhere", 404);
  await open(page, demo, "/houses/linden-27?job=mill-4-floors", 404);
  noConsoleErrors(page, status(404));
});

test("an address is made, shown once, and taken back", async ({ demo, chromium }) => {
  const page = await openPage(chromium);
  await signIn(page, demo, "/calendars");
  await page.click("input[value=customer]");
  await page.select("select[name=house]", "mill-4");
  await press(page, ".make button.main");
  const address = await text(page, ".once code[data-copy]");
  const calendar = async () => (await fetch(address)).status;
  assert.match(address, /\/feeds\/cal_.*\.ics$/);
  assert.equal(await calendar(), 200);
  await axe(page, "an address that was made");
  await screenshot(page, "address-laptop-light");
  await open(page, demo, "/calendars");
  assert.ok(!(await page.content()).includes("cal_"), "shown once");
  await press(page, ".cards .card form button");
  assert.equal(await calendar(), 404);
  noConsoleErrors(page);
});

test("a table's faults are told row by row, and a good one is taken in", async ({ demo, chromium }) => {
  const page = await openPage(chromium);
  await signIn(page, demo, "/calendars");
  const header = "key;name;address;access;areas\n";
  const bad = `${header}elm-12;Elm Street 12;Harrow Falls;mon-fri 07:00-18:00;Living room: 320\nelm-13;Elm Street 13;;never;Hall`;
  assert.ok(await page.$("input[type=file]"), "with a script, a file can be chosen");
  const fill = (table) => page.$eval("textarea[name=table]", (field, table) => (field.value = table), table);
  await fill(bad);
  assert.equal((await press(page, "button[value=look]")).status(), 422);
  const rows = await page.$$eval(".rows tbody tr", (all) => all.map((row) => row.textContent));
  assert.ok(rows.length >= 2 && rows.every((row) => row.startsWith("2")), `${rows}`);
  await axe(page, "a table with faults");
  await screenshot(page, "table-faults-laptop-light", { whole: true });
  noConsoleErrors(page, status(422));
  await fill(`${header}elm-12;Elm Street 12;Harrow Falls;mon-fri 07:00-18:00;Living room: 320; Hall: 80\n`.replace("Living room: 320; Hall: 80", '"Living room: 320; Hall: 80"'));
  assert.equal((await press(page, "button[value=look]")).status(), 200);
  assert.match(await text(page, "h1"), /is good/);
  await open(page, demo, "/houses/elm-12", 404);
  noConsoleErrors(page, status(404));
  await page.goBack();
  await axe(page, "a good table");
  await press(page, ".good button.main");
  assert.match(await text(page, ".rows tbody"), /elm-12 ?added/);
  await open(page, demo, "/houses/elm-12");
  assert.match(await text(page, ".empty"), /no job yet/);
  noConsoleErrors(page);
});

test("a crew's day is printed by whoever is signed in", async ({ demo, chromium }) => {
  const page = await openPage(chromium);
  await signIn(page, demo, "/day-sheet");
  const [first] = await page.$$eval(".ways-on a[href^='?crew=']:not([rel])", (all) => all.slice(1).map((one) => one.href));
  await page.goto(first);
  assert.match(await text(page, "main.sheet h1"), /\S/);
  await axe(page, "a day sheet");
  await print(page, "day-sheet");
  noConsoleErrors(page);
});

for (const [size, viewport] of Object.entries(SIZES)) {
  for (const dark of [false, true]) {
    const look = `${size}-${dark ? "dark" : "light"}`;
    test(`houses and calendars are clean at ${look}`, async ({ demo, chromium }) => {
      const page = await openPage(chromium, { size: viewport, dark });
      await signIn(page, demo, "/houses");
      for (const [name, path] of [
        ["houses", "/houses"],
        ["houses-look", "/houses?show=look&sort=late"],
        ["house-failed", "/houses/linden-27"],
        ["house-treated", "/houses/mill-4"],
        ["house-new", "/houses/quince-12"],
        ["calendars", "/calendars"],
      ]) {
        await open(page, demo, path);
        await axe(page, `${name} ${look}`);
        await fitsAcross(page);
        await screenshot(page, `${name}-${look}`, { whole: name.startsWith("house-") || name === "calendars" });
      }
      noConsoleErrors(page);
    });
  }
}

await run();
