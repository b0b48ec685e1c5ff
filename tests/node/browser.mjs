// What browser tests need: the real program with its demo's company on a port and a data directory of its own, a headless
// Chromium, and pages that keep what went wrong in them. Everything that is started is stopped by its own process.
//
//   import { test, run, openPage, signIn, axe, screenshot } from "./browser.mjs";
//   test("what is shown", async ({ demo, chromium }) => { ... });
//   await run();
//
// Environment: TACKFREE_BINARY (target/debug/tackfree), CHROMIUM (/usr/bin/chromium), SCREENSHOTS (a folder; none are made
// without it), ONLY (a part of the names of the tests to run).

import assert from "node:assert/strict";
import { spawn } from "node:child_process";
import { chmodSync, mkdirSync, mkdtempSync, rmSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { createInterface } from "node:readline";
import { fileURLToPath } from "node:url";
import puppeteer from "puppeteer-core";

const root = fileURLToPath(new URL("../..", import.meta.url));
const binary = process.env.TACKFREE_BINARY ?? join(process.env.CARGO_TARGET_DIR ?? join(root, "target"), "debug/tackfree");
const axeSource = createRequire(import.meta.url)("axe-core").source;

/** Sizes that pages are looked at in. */
export const SIZES = {
  phone: { width: 390, height: 844, hasTouch: true, isMobile: true },
  laptop: { width: 1366, height: 768 },
  wall: { width: 2560, height: 1440 },
};
/** So long is waited for what must come soon; nothing waits that long when all is well. */
export const SOON = 30_000;
const START_MAX = 180_000;

/** Starts the demo; `base`, `name`, `password`, `link` and `token` are what it prints, `child` is its process. */
export async function startDemo(...more) {
  const directory = mkdtempSync(join(tmpdir(), "tackfree-browser-"));
  // Started by root, PostgreSQL runs as another user, who must be let through.
  chmodSync(directory, 0o711);
  const args = ["--data-directory", join(directory, "data"), "demo", "--listen", "127.0.0.1:0", ...more];
  const child = spawn(binary, args, { stdio: ["ignore", "pipe", "inherit"] });
  const ended = new Promise((resolve) => child.once("exit", resolve));
  const stop = async () => {
    child.kill("SIGINT");
    await ended;
    rmSync(directory, { recursive: true, force: true });
  };
  const printed = new Map();
  const serving = (async () => {
    for await (const line of createInterface({ input: child.stdout })) {
      const [, what, value] = line.match(/^(\S.*?) {2,}(\S+)$/) ?? [];
      if (what) printed.set(what, value);
      if (line.startsWith("Serving;")) return true;
    }
    return false;
  })();
  const late = new Promise((resolve) => setTimeout(resolve, START_MAX, false).unref());
  if (!(await Promise.race([serving, late]))) {
    await stop();
    throw new Error("the demo did not start");
  }
  const told = (what) => {
    const value = [...printed].find(([key]) => key.startsWith(what))?.[1];
    assert.ok(value, `the demo does not print: ${what}`);
    return value;
  };
  return {
    base: new URL(told("Sign in at")).origin,
    name: told("Sign-in name"),
    password: told("Password"),
    link: told("Link for"),
    token: told("Token for the API"),
    child,
    stop,
  };
}

/** Starts Chromium with a profile of its own. */
export async function startChromium() {
  const profile = mkdtempSync(join(tmpdir(), "tackfree-chromium-"));
  const chromium = await puppeteer.launch({
    executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
    userDataDir: profile,
    args: [
      "--no-sandbox",
      "--disable-gpu",
      "--disable-quic",
      "--no-first-run",
      "--disable-background-networking",
      "--disable-component-update",
      "--disable-sync",
      "--disable-dev-shm-usage",
    ],
  });
  const stop = async () => {
    await chromium.close();
    rmSync(profile, { recursive: true, force: true });
  };
  return { chromium, stop };
}

/**
 * A page with cookies of its own, unless it gets a `context` to share. What goes wrong in it is kept for
 * `noConsoleErrors`.
 */
export async function openPage(chromium, { size = SIZES.laptop, dark = false, context } = {}) {
  const own = context ?? (await chromium.createBrowserContext());
  const page = await own.newPage();
  await page.setViewport(size);
  await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: dark ? "dark" : "light" }]);
  page.setDefaultTimeout(SOON);
  page.wrong = [];
  page.on("console", (message) => {
    if (["error", "warn"].includes(message.type())) page.wrong.push(`${message.type()}: ${message.text()}`);
  });
  page.on("pageerror", (error) => page.wrong.push(`thrown: ${error.message}`));
  page.on("response", (response) => {
    if (response.status() >= 500) page.wrong.push(`${response.status()} of ${response.url()}`);
  });
  return page;
}

/** Nothing went wrong in the page, but for what matches one of `expected`; begins anew. */
export function noConsoleErrors(page, ...expected) {
  const wrong = page.wrong.filter((text) => !expected.some((pattern) => pattern.test(text)));
  page.wrong.length = 0;
  assert.deepEqual(wrong, [], `in ${page.url()}`);
}

/** Opens an address of the demo; the status must be `status`. */
export async function open(page, demo, path, status = 200) {
  const response = await page.goto(new URL(path, demo.base).href, { waitUntil: "load" });
  assert.equal(response?.status(), status, path);
  return response;
}

/** Does what leads to another page, and waits for that; its reply. */
export async function leads(page, act) {
  const [response] = await Promise.all([page.waitForNavigation({ waitUntil: "load" }), act()]);
  return response;
}

/** Signs the office's person in, by the page; afterwards it is at `to`. */
export async function signIn(page, demo, to = "/people", { name = demo.name, password = demo.password } = {}) {
  await open(page, demo, `/sign-in?to=${encodeURIComponent(to)}`);
  await page.type("input[name=name]", name);
  await page.type("input[name=password]", password);
  const response = await leads(page, () => page.keyboard.press("Enter"));
  assert.equal(new URL(page.url()).pathname, new URL(to, demo.base).pathname);
  return response;
}

/** Lets a phone come in by the crew's link; afterwards it is at the crew's day. */
export async function openLink(page, demo, link = demo.link) {
  await page.goto(link, { waitUntil: "load" });
  await leads(page, () => page.click("main button"));
}

/** axe-core finds nothing serious or critical in the page. `what` says which page and look it is. */
export async function axe(page, what) {
  await page.evaluate(axeSource);
  const violations = await page.evaluate(async () => {
    const { violations } = await globalThis.axe.run(document, { resultTypes: ["violations"] });
    return violations.map(({ id, impact, help, nodes }) => ({
      id,
      impact,
      help,
      where: nodes.slice(0, 3).map((node) => `${node.target} ${node.failureSummary}`),
    }));
  });
  const bad = violations.filter(({ impact }) => ["serious", "critical"].includes(impact));
  assert.deepEqual(bad, [], what);
}

/** A picture of the page as it is on the screen (`whole`: all of it), for people to look at. */
export async function screenshot(page, name, { whole = false } = {}) {
  if (!process.env.SCREENSHOTS) return;
  mkdirSync(process.env.SCREENSHOTS, { recursive: true });
  await page.screenshot({ path: join(process.env.SCREENSHOTS, `${name}.png`), fullPage: whole });
}

/** The page is not wider than the window. */
export async function fitsAcross(page) {
  const [inside, window] = await page.evaluate(() => [document.documentElement.scrollWidth, innerWidth]);
  assert.ok(inside <= window, `the page is ${inside} wide in a window of ${window}`);
}

const tests = [];

/** A test: `act` gets `{ demo, chromium }`, which all tests of a file share. */
export function test(name, act) {
  tests.push({ name, act });
}

const heading = (page) => page.$eval("h1, pre", (one) => one.textContent).catch(() => "no heading");

/** Runs the tests of a file, one after the other, with one demo and one Chromium. */
export async function run() {
  const wanted = tests.filter(({ name }) => name.includes(process.env.ONLY ?? ""));
  assert.ok(wanted.length > 0, "no test has such a name");
  const stops = [];
  let failed = 0;
  try {
    const demo = await startDemo();
    stops.push(demo.stop);
    const { chromium, stop } = await startChromium();
    stops.push(stop);
    for (const { name, act } of wanted) {
      try {
        await act({ demo, chromium });
        console.log(`ok      ${name}`);
      } catch (error) {
        failed += 1;
        console.log(`FAILED  ${name}\n${error.stack}`);
        for (const page of await chromium.pages()) console.log(`        at ${page.url()}: ${await heading(page)}`);
      }
      await Promise.all(chromium.browserContexts().map((context) => context.close().catch(() => {})));
    }
  } finally {
    for (const stop of stops.reverse()) await stop();
  }
  console.log(`${wanted.length - failed} of ${wanted.length} browser tests passed`);
  process.exitCode = failed === 0 ? 0 : 1;
}
