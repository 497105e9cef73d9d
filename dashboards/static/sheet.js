// Owns: keeping an open sheet or gate-side board true: swaps the parts that the server sends, counts the time since
// its last beat, and takes all parts away when no beat comes.
// Must not know: what the parts say.
// How it works: as on the aisle board, only a beat is proof that the core lives. A part that holds the focus gives it
// back to the element of the same id. All texts come from the server, in data attributes.
(() => {
  "use strict";
  const page = document.body.dataset;
  const byId = (id) => document.getElementById(id);
  const barAfter = Number(page.barAfterS), lostAfter = Number(page.lostAfterS);
  const calm = matchMedia("(prefers-reduced-motion: reduce)").matches;
  let age = page.ageS === "" ? null : Number(page.ageS);
  let source = null, opened = 0, waiting = 0;
  let heard = performance.now() - (page.silentS === "" ? Infinity : Number(page.silentS) * 1000);
  let heardWall = Date.now();

  const silent = () => (performance.now() - heard) / 1000;

  function put(id, html) {
    const part = byId(id);
    if (!part) return;
    const focus = part.contains(document.activeElement) ? document.activeElement.id : "";
    part.innerHTML = html;
    if (focus && byId(focus)) byId(focus).focus({ preventScroll: true });
    const told = part.querySelector("[data-said]");
    if (told && byId("said").textContent !== told.dataset.said) byId("said").textContent = told.dataset.said;
  }

  function look() {
    const seconds = silent();
    page.link = seconds < barAfter ? "live" : seconds < lostAfter ? "bar" : "lost";
    const all = age === null ? null : age + seconds;
    byId("age").textContent = page.link !== "live" || all === null ? page.readNone
      : all < 100 ? page.readS.replace("{n}", Math.floor(all)) : page.readMin.replace("{n}", Math.floor(all / 60));
    if (byId("clock")) byId("clock").textContent = page.link === "live" ? page.clock : "";
    if (page.link !== "live") {
      const text = page.clock ? page.lastWord.replace("{time}", page.clock) : page.noWord;
      if (byId("nolink-text").textContent !== text) byId("nolink-text").textContent = text;
    }
    if (performance.now() - Math.max(opened, heard) > barAfter * 1000) connect();
  }

  function beat(event) {
    const told = JSON.parse(event.data);
    if (told.page !== page.page) { location.reload(); return; }
    heard = performance.now();
    heardWall = Date.now();
    age = told.age_s;
    page.clock = told.clock;
    byId("alive").setAttribute("width", calm ? told.line - told.line % 10 : told.line);
    look();
  }

  function connect() {
    if (source) source.close();
    clearTimeout(waiting);
    opened = performance.now();
    source = new EventSource(page.stream);
    source.addEventListener("parts", (event) => {
      for (const [id, html] of Object.entries(JSON.parse(event.data))) put(id, html);
    });
    source.addEventListener("beat", beat);
    source.onerror = () => {
      if (source.readyState === EventSource.CLOSED) {
        clearTimeout(waiting);
        waiting = setTimeout(connect, 3000 + Math.random() * 2000);
      }
    };
  }

  addEventListener("visibilitychange", () => {
    const slept = Date.now() - heardWall;
    if (document.visibilityState === "visible" && slept > barAfter * 1000) {
      heard = Math.min(heard, performance.now() - slept);
      look();
      connect();
    }
  });

  connect();
  setInterval(look, Math.min(1000, barAfter * 250));
})();
