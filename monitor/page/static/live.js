// Keeps the page fresh: at each event of the stream the server's own markup replaces what is shown. When none comes, the
// page says so and greys itself: old figures must not pass for new ones. Without this script the page reloads by itself.
"use strict";

(function () {
  const PATIENCE_MS = 30000;   // the stream speaks every 10 s: three missed and the page is old
  const ASK_MS = 12000;        // where no stream comes through, the page asks by itself
  const live = document.getElementById("live");
  const noNews = document.getElementById("no-news");
  const announce = document.getElementById("announce");
  let lastNewsMs = performance.now();
  let wallMs = Date.now();
  let announced = "";
  let asking = false;
  let stream = null;

  function minutesInWords(ms) {
    const minutes = Math.floor(ms / 60000);
    const words = noNews.dataset;  // in the language of the page
    if (minutes < 1) return words.less;
    if (minutes === 1) return words.one;
    if (minutes < 120) return words.minutes.replace("[n]", minutes);
    return words.hours.replace("[n]", Math.floor(minutes / 60));
  }

  function age() {
    // A phone that slept stops the one clock but not the other: the larger age is the true one.
    return Math.max(performance.now() - lastNewsMs, Date.now() - wallMs);
  }

  function sayHowOld() {
    const old = age() > PATIENCE_MS;
    document.body.classList.toggle("old", old);
    noNews.hidden = !old;
    if (old) {
      const words = noNews.dataset.news.replace("[time]", minutesInWords(age()));
      if (noNews.textContent !== words) noNews.textContent = words;
    }
  }

  function announceAlarms() {
    const words = Array.from(live.querySelectorAll("[data-announce]"), (node) => node.dataset.announce).join(" ");
    if (words !== announced) {
      announced = words;
      announce.textContent = words;
    }
  }

  function put(fresh) {
    const active = live.contains(document.activeElement) ? document.activeElement : null;
    const focused = active ? active.getAttribute("href") : null;
    const open = Array.from(live.querySelectorAll("details[open]"), (node) => node.id).filter(Boolean);
    // What somebody is about to press, has begun to write or has zoomed into stays the very same node.
    for (const node of live.querySelectorAll("details.kept[open], .kept-chart")) {
      const newer = node.id ? fresh.querySelector("#" + CSS.escape(node.id)) : null;
      if (newer) newer.replaceWith(node);
    }
    live.replaceChildren(...fresh.childNodes);
    for (const id of open) {
      const node = document.getElementById(id);
      if (node) node.open = true;
    }
    if (active && active.isConnected) {
      active.focus({ preventScroll: true });  // moved with its drawer, it has lost the focus: who types goes on typing
    } else if (focused) {
      const again = Array.from(live.querySelectorAll("a")).find((link) => link.getAttribute("href") === focused);
      if (again) again.focus({ preventScroll: true });
    }
    announceAlarms();
  }

  async function ask() {
    if (asking) return;
    asking = true;
    try {
      const answer = await fetch(location.href, { cache: "no-store", signal: AbortSignal.timeout(10000) });
      if (answer.ok) {
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const fresh = page.getElementById("live");
        if (fresh) {
          document.title = page.title;
          put(fresh);
          lastNewsMs = performance.now();
          wallMs = Date.now();
          document.dispatchEvent(new Event("emberpail:news"));
        }
      }
    } catch (error) {
      // No network, or the watch is down: sayHowOld tells it.
    }
    asking = false;
    sayHowOld();
  }

  function listen() {
    if (stream) stream.close();
    stream = new EventSource("/live");
    stream.addEventListener("news", ask);
  }

  function mind() {
    sayHowOld();
    if (age() > ASK_MS && !document.hidden) {
      // Closed for good (the server refused it) or dead without a word: begin anew, and ask meanwhile.
      if (stream.readyState !== EventSource.CONNECTING) listen();
      ask();
    }
  }

  announceAlarms();
  listen();
  setInterval(sayHowOld, 1000);
  setInterval(mind, 5000);
  // Whoever takes the phone up sees the present, not what stood there when it fell asleep.
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { mind(); ask(); } });
  window.addEventListener("online", ask);
  window.addEventListener("pageshow", (event) => { if (event.persisted) ask(); });
  window.addEventListener("pagehide", () => stream.close());
})();
