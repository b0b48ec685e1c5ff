// The page as the server has it now, and the copies that open it where there is no net.

import { must, tell } from "./dom.js";

/** As in `worker.js`. */
const KEPT = "tackfree-day-1";

/** Asks the browser to keep the page at hand; false where it cannot (plain http from elsewhere, or an old browser). */
export async function keepAtHand() {
  if (!("serviceWorker" in navigator) || !("caches" in window)) return false;
  try {
    await navigator.serviceWorker.register("/day-worker.js", { scope: "/day" });
  } catch {
    return false;
  }
  try {
    const parts = performance.getEntriesByType("resource").map((entry) => new URL(entry.name));
    const own = parts.filter(({ origin, pathname }) => origin === location.origin && /^\/(script\/|page\.css$|mark\.svg$)/.test(pathname));
    const icon = document.querySelector('link[rel="icon"]');
    const addresses = [location.href, ...own.map(String), ...(icon instanceof HTMLLinkElement ? [icon.href] : [])];
    await (await caches.open(KEPT)).addAll([...new Set(addresses)]);
    return true;
  } catch {
    // Without a net it has been kept before, or else it is next time.
    return (await caches.match(location.href)) !== undefined;
  }
}

/** Forgets the copies: whoever signs out leaves nothing behind but unsent reports. */
export async function forget() {
  if ("caches" in window) await caches.delete(KEPT);
}

/** What the server had in it when it was last seen. */
let last = must("#shown").innerHTML;

/**
 * Loads the page anew and puts in what has changed.
 * @param {() => void} put called after something was put in
 * @returns {Promise<"new" | "same" | "signed-out" | "offline">}
 */
export async function refresh(put) {
  /** @type {Response} */
  let response;
  try {
    response = await fetch(location.href, { cache: "no-store", credentials: "same-origin", headers: { Accept: "text/html" } });
  } catch {
    return "offline";
  }
  if (response.redirected) {
    await forget();
    return "signed-out";
  }
  if (!response.ok) return "offline";
  const copy = response.clone();
  const fresh = new DOMParser().parseFromString(await response.text(), "text/html");
  if ("caches" in window) await caches.open(KEPT).then((cache) => cache.put(location.href, copy)).catch(() => {});
  const [session, own] = [fresh, document].map((from) => from.querySelector("meta[name=csrf]"));
  if (session instanceof HTMLMetaElement && own instanceof HTMLMetaElement) own.content = session.content;
  const at = fresh.querySelector("#server-now")?.getAttribute("datetime");
  if (at) tell(at);
  const shown = fresh.querySelector("#shown");
  if (!shown || shown.innerHTML === last) return "same";
  last = shown.innerHTML;
  putIn(shown);
  put();
  return "new";
}

/** @param {Element} fresh */
function putIn(fresh) {
  const old = must("#shown");
  const focus = document.activeElement?.closest("details[id]")?.id;
  for (const details of fresh.querySelectorAll("details[id]")) {
    const before = document.getElementById(details.id);
    if (before instanceof HTMLDetailsElement && before.dataset["opened"]) details.setAttribute("data-opened", "");
  }
  old.replaceChildren(...fresh.childNodes);
  if (focus) document.getElementById(focus)?.querySelector("summary")?.focus();
}
