// Owns: keeping an open board true. Swaps the board when the server sends a new one, counts the time since the
// server's last beat, and takes the numbers away when no beat comes.
// Must not know: what the board says.
// How it works: only a beat, never an open connection, is proof that the core lives. A beat follows the board that
// it vouches for. All texts come from the server, in data attributes and in the template of the lost board.
(() => {
  "use strict";
  const page = document.body.dataset;
  const byId = (id) => document.getElementById(id);
  const board = byId("board");
  const barAfter = Number(page.barAfterS), lostAfter = Number(page.lostAfterS);
  const calm = matchMedia("(prefers-reduced-motion: reduce)").matches;
  let age = page.ageS === "" ? null : Number(page.ageS);   // of the readings, at the last beat
  let clock = byId("clock").textContent;
  let kept = null;          // the newest board of the stream
  let source = null, opened = 0, waiting = 0;
  let heard = performance.now() - (page.silentS === "" ? Infinity : Number(page.silentS) * 1000);
  let heardWall = Date.now();

  const silent = () => (performance.now() - heard) / 1000;

  function swap(html) {
    board.innerHTML = html;
    const said = board.firstElementChild.dataset.said;
    if (byId("said").textContent !== said) byId("said").textContent = said;
  }

  function ageText(seconds) {
    if (page.link !== "live") {
      if (clock === "") return byId("age").textContent;
      return clock === page.clockUnset ? clock : page.lastWord.replace("{time}", clock);
    }
    if (age === null) return page.readNone;
    const all = age + seconds;
    return all < 100 ? page.readS.replace("{n}", Math.floor(all)) : page.readMin.replace("{n}", Math.floor(all / 60));
  }

  function look() {
    const seconds = silent();
    const link = seconds < barAfter ? "live" : seconds < lostAfter ? "bar" : "lost";
    if (link === "lost" && page.link !== "lost") swap(byId("lost").innerHTML);
    page.link = link;
    byId("age").textContent = ageText(seconds);
    byId("clock").textContent = link === "live" ? clock : "";
    if (performance.now() - Math.max(opened, heard) > barAfter * 1000) connect();
  }

  function beat(event) {
    const told = JSON.parse(event.data);
    if (told.page !== page.page) { location.reload(); return; }
    heard = performance.now();
    heardWall = Date.now();
    age = told.age_s;
    clock = told.clock;
    byId("alive").setAttribute("width", calm ? told.line - told.line % 10 : told.line);
    if (page.link === "lost" && kept !== null) swap(kept);
    look();
  }

  function connect() {
    if (source) source.close();
    clearTimeout(waiting);
    opened = performance.now();
    source = new EventSource(page.stream);
    source.addEventListener("board", (event) => {
      kept = event.data;
      if (page.link !== "lost") swap(kept);
    });
    source.addEventListener("beat", beat);
    // The browser tries again by itself after a broken line, but not after a refusal.
    source.onerror = () => {
      if (source.readyState === EventSource.CLOSED) {
        clearTimeout(waiting);
        waiting = setTimeout(connect, 3000 + Math.random() * 2000);
      }
    };
  }

  // A device that slept stops this clock; the wall clock tells how long. Old numbers are hidden until the next beat.
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
