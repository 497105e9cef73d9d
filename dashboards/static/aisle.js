// Owns: keeping an open board true. Swaps the board when the server sends a new one and takes the numbers away when no
// beat comes.
// Must not know: what the board says, how the stream is kept (stream.js).
// How it works: the newest board is kept while the link is lost, and shown again with the beat that vouches for it.
(() => {
  "use strict";
  const page = document.body.dataset;
  const byId = (id) => document.getElementById(id);
  const board = byId("board");
  let clock = byId("clock").textContent;
  let kept = null;          // the newest board of the stream

  function swap(html) {
    board.innerHTML = html;
    const said = board.firstElementChild.dataset.said;
    if (byId("said").textContent !== said) byId("said").textContent = said;
  }

  function ageText(readText) {
    if (page.link === "live") return readText;
    if (clock === "") return byId("age").textContent;
    return clock === page.clockUnset ? clock : page.lastWord.replace("{time}", clock);
  }

  window.follow({
    events: {
      board(event) {
        kept = event.data;
        if (page.link !== "lost") swap(kept);
      },
    },
    beat(told) {
      clock = told.clock;
      if (page.link === "lost" && kept !== null) swap(kept);
    },
    look(before, readText) {
      if (page.link === "lost" && before !== "lost") swap(byId("lost").innerHTML);
      byId("age").textContent = ageText(readText);
      byId("clock").textContent = page.link === "live" ? clock : "";
    },
  });
})();
