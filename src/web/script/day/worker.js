// The service worker of a crew's day: opens the page where there is no net. It keeps the page as it was last seen, its
// style and its scripts; it sends nothing by itself and keeps nothing of the API.

const KEPT = "tackfree-day-1";
/** Where the net is nearly dead, a copy is better than waiting. */
const PATIENCE_MILLISECONDS = 4_000;

const worker = /** @type {any} */ (self);

worker.addEventListener("install", () => worker.skipWaiting());
worker.addEventListener("activate", (/** @type {any} */ event) => event.waitUntil(worker.clients.claim()));
worker.addEventListener("fetch", (/** @type {any} */ event) => {
  /** @type {Request} */
  const request = event.request;
  const { origin, pathname } = new URL(request.url);
  if (request.method !== "GET" || origin !== worker.location.origin) return;
  if (request.mode === "navigate" ? pathname === "/day" : /^\/(script\/|page\.css$|mark\.svg$)/.test(pathname)) {
    event.respondWith(answer(request));
  }
});

/**
 * From the net, or else, or if that takes long, the copy.
 * @param {Request} request
 * @returns {Promise<Response>}
 */
async function answer(request) {
  const cache = await caches.open(KEPT);
  const copy = await cache.match(request.url);
  const live = fetch(request).then(async (response) => {
    if (response.ok && !response.redirected) {
      await cache.put(request.url, response.clone());
    } else if (request.mode === "navigate" && (response.type === "opaqueredirect" || response.status === 403)) {
      // Signed out, or no longer for this one: nothing is shown any more.
      await caches.delete(KEPT);
    }
    return response;
  });
  if (!copy) return live;
  const tired = new Promise((resolve) => setTimeout(resolve, PATIENCE_MILLISECONDS, copy));
  return Promise.race([live.catch(() => copy), /** @type {Promise<Response>} */ (tired)]);
}
