// The office's board. Everything is in `board/`.

import { byId } from "./board/dom.js";
import { loadBoard } from "./board/load.js";
import { Office } from "./board/office.js";
import { complain } from "./board/say.js";

const main = byId("content", HTMLElement);
try {
  const loaded = await loadBoard("", "");
  if (loaded) {
    // The first picture goes when the second is there.
    main.classList.add("has-script");
    new Office(loaded.board, loaded.tag);
    main.dataset.ready = "yes";
    performance.mark("board-ready");
  }
} catch (error) {
  complain(error);
}
