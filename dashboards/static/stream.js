// Owns: the stream of a page that stays open: connecting, counting the time since the server's last beat, the alive line.
// Must not know: what a page shows.
// How it works: only a beat, never an open connection, is proof that the core lives. A beat follows what it vouches
// for. `events` are the page's own, `beat` is told what a beat said, `look` is told twice a second or so how the link
// stands; `page.link` and `told` hold what is known. All texts come from the server, in data attributes.
"use strict";
window.follow = ({ events, beat, look }) => {
  const page = document.body.dataset;
  const barAfter = Number(page.barAfterS), lostAfter = Number(page.lostAfterS);
  const calm = matchMedia("(prefers-reduced-motion: reduce)").matches;
  let age = page.ageS === "" ? null : Number(page.ageS);   // of the readings, at the last beat
  let source = null, opened = 0, waiting = 0;
  let heard = performance.now() - (page.silentS === "" ? Infinity : Number(page.silentS) * 1000);
  let heardWall = Date.now();

  const readText = (seconds) => {
    if (age === null) return page.readNone;
    const all = age + seconds;
    return all < 100 ? page.readS.replace("{n}", Math.floor(all)) : page.readMin.replace("{n}", Math.floor(all / 60));
  };

  const check = () => {
    const seconds = (performance.now() - heard) / 1000;
    const before = page.link;
    page.link = seconds < barAfter ? "live" : seconds < lostAfter ? "bar" : "lost";
    look(before, readText(seconds));
    if (performance.now() - Math.max(opened, heard) > barAfter * 1000) connect();
  };

  const heardBeat = (event) => {
    const told = JSON.parse(event.data);
    if (told.page !== page.page) { location.reload(); return; }
    heard = performance.now();
    heardWall = Date.now();
    age = told.age_s;
    document.getElementById("alive").setAttribute("width", calm ? told.line - told.line % 10 : told.line);
    beat(told);
    check();
  };

  const connect = () => {
    if (source) source.close();
    clearTimeout(waiting);
    opened = performance.now();
    source = new EventSource(page.stream);
    for (const [name, take] of Object.entries(events)) source.addEventListener(name, take);
    source.addEventListener("beat", heardBeat);
    // The browser tries again by itself after a broken line, but not after a refusal.
    source.onerror = () => {
      if (source.readyState === EventSource.CLOSED) {
        clearTimeout(waiting);
        waiting = setTimeout(connect, 3000 + Math.random() * 2000);
      }
    };
  };

  // A device that slept stops this clock; the wall clock tells how long. Old numbers are hidden until the next beat.
  addEventListener("visibilitychange", () => {
    const slept = Date.now() - heardWall;
    if (document.visibilityState === "visible" && slept > barAfter * 1000) {
      heard = Math.min(heard, performance.now() - slept);
      check();
      connect();
    }
  });

  connect();
  setInterval(check, Math.min(1000, barAfter * 250));
};
