// Owns: keeping an open sheet, bell list or gate-side board true: swaps the parts that the server sends and says when
// no beat comes.
// Must not know: what the parts say, how the stream is kept (stream.js).
// How it works: a part that holds the focus gives it back to the element of the same id. All parts are hidden by the
// style sheet while the link is lost.
(() => {
  "use strict";
  const page = document.body.dataset;
  const byId = (id) => document.getElementById(id);

  function put(id, html) {
    const part = byId(id);
    if (!part) return;
    const focus = part.contains(document.activeElement) ? document.activeElement.id : "";
    part.innerHTML = html;
    if (focus && byId(focus)) byId(focus).focus({ preventScroll: true });
    const told = part.querySelector("[data-said]");
    if (told && byId("said").textContent !== told.dataset.said) byId("said").textContent = told.dataset.said;
  }

  window.follow({
    events: {
      parts(event) {
        for (const [id, html] of Object.entries(JSON.parse(event.data))) put(id, html);
      },
    },
    beat(told) {
      page.clock = told.clock;
    },
    look(before, readText) {
      byId("age").textContent = page.link === "live" ? readText : page.readNone;
      if (byId("clock")) byId("clock").textContent = page.link === "live" ? page.clock : "";
      if (page.link === "live") return;
      const text = page.clock ? page.lastWord.replace("{time}", page.clock) : page.noWord;
      if (byId("nolink-text").textContent !== text) byId("nolink-text").textContent = text;
    },
  });
})();
