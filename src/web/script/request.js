// Requests of pages to the API. The browser sends its session's cookie by itself; a change also needs what only a page of
// this session knows.

/**
 * What the API says went wrong (RFC 9457).
 * @typedef {object} Problem
 * @property {string} code stable, for programs
 * @property {string} title the same for every problem of this kind
 * @property {string} detail what is wrong this time
 * @property {string} cure what would make it right
 * @property {{pointer: string, code: string, detail: string, cure: string}[]} [errors] each thing wrong
 */

/** A request that was refused, or not answered at all (then `status` is 0). */
export class RequestError extends Error {
  /**
   * @param {number} status
   * @param {Problem | null} problem
   */
  constructor(status, problem) {
    super(problem ? problem.detail : "The server cannot be reached.");
    this.name = "RequestError";
    this.status = status;
    this.problem = problem;
  }
}

/** @returns {string} what changes are sent with; empty when nobody is signed in */
function csrf() {
  const meta = document.querySelector('meta[name="csrf"]');
  return meta instanceof HTMLMetaElement ? meta.content : "";
}

/**
 * Sends a request to this server.
 * @param {string} method
 * @param {string} path such as `/v1/plans`
 * @param {unknown} [body] sent as JSON
 * @param {Record<string, string>} [headers] such as `If-Match`
 * @returns {Promise<Response>} only good replies
 * @throws {RequestError}
 */
export async function send(method, path, body, headers = {}) {
  const all = new Headers(headers);
  if (method !== "GET" && method !== "HEAD") {
    all.set("X-CSRF-Token", csrf());
  }
  /** @type {RequestInit} */
  const init = { method, headers: all, credentials: "same-origin" };
  if (body !== undefined) {
    all.set("Content-Type", "application/json");
    init.body = JSON.stringify(body);
  }
  let response;
  try {
    response = await fetch(path, init);
  } catch {
    throw new RequestError(0, null);
  }
  if (response.ok) {
    return response;
  }
  const kind = response.headers.get("Content-Type") ?? "";
  const problem = kind.startsWith("application/problem+json") ? await response.json().catch(() => null) : null;
  throw new RequestError(response.status, problem);
}

/**
 * As `send`, and reads the reply.
 * @param {string} method
 * @param {string} path
 * @param {unknown} [body]
 * @param {Record<string, string>} [headers]
 * @returns {Promise<any>} null when the reply has no body
 */
export async function json(method, path, body, headers) {
  const response = await send(method, path, body, headers);
  const text = await response.text();
  return text === "" ? null : JSON.parse(text);
}
