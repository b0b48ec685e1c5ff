// The board and its chances from the server. The browser keeps what it has; the server says whether that is still true.

import { json, send } from "../request.js";

/** @typedef {import("./types.js").Board} Board */
/** @typedef {import("./types.js").Chance} Chance */

/**
 * @param {string} query such as `?days=42`
 * @param {string} tag of the board that is there, or empty
 * @returns {Promise<{board: Board, tag: string} | null>} null when it is still the same
 */
export async function loadBoard(query, tag) {
  const response = await send("GET", `/v1/board${query}`, undefined, tag ? { "If-None-Match": tag } : {}).catch((error) => {
    if (error?.status === 304) {
      return null;
    }
    throw error;
  });
  if (response === null || response.status === 304) {
    return null;
  }
  return { board: await response.json(), tag: response.headers.get("ETag") ?? "" };
}

/** @returns {Promise<Chance[]>} none when nothing is published or they cannot be worked out now */
export async function loadChances() {
  try {
    return (await json("GET", "/v1/board/chances")).jobs;
  } catch {
    return [];
  }
}
