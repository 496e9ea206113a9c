// Keeps the page fresh: every five seconds the server's own markup replaces what is shown. When none comes, the page
// says so and greys itself: old figures must not pass for new ones. Without this script the page reloads by itself.
"use strict";

(function () {
  const EVERY_MS = 5000;
  const PATIENCE_MS = 30000;
  const live = document.getElementById("live");
  const noNews = document.getElementById("no-news");
  const announce = document.getElementById("announce");
  let lastNewsMs = performance.now();
  let wallMs = Date.now();
  let announced = "";

  function minutesInWords(ms) {
    const minutes = Math.floor(ms / 60000);
    const words = noNews.dataset;  // in the language of the page
    if (minutes < 1) return words.less;
    if (minutes === 1) return words.one;
    if (minutes < 120) return words.minutes.replace("[n]", minutes);
    return words.hours.replace("[n]", Math.floor(minutes / 60));
  }

  function sayHowOld() {
    // A phone that slept stops the one clock but not the other: the larger age is the true one.
    const age = Math.max(performance.now() - lastNewsMs, Date.now() - wallMs);
    const old = age > PATIENCE_MS;
    document.body.classList.toggle("old", old);
    noNews.hidden = !old;
    if (old) {
      const words = noNews.dataset.news.replace("[time]", minutesInWords(age));
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
    const focused = live.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
    const open = Array.from(live.querySelectorAll("details[open]"), (node) => node.id);
    // What somebody is about to press or has begun to write stays the very same node.
    for (const node of live.querySelectorAll("details.kept[open]")) {
      const newer = fresh.querySelector("#" + CSS.escape(node.id));
      if (newer) newer.replaceWith(node);
    }
    live.replaceChildren(...fresh.childNodes);
    for (const id of open) {
      const node = document.getElementById(id);
      if (node) node.open = true;
    }
    if (focused) {
      const again = Array.from(live.querySelectorAll("a")).find((link) => link.getAttribute("href") === focused);
      if (again) again.focus({ preventScroll: true });
    }
    announceAlarms();
  }

  async function ask() {
    try {
      const answer = await fetch(location.href, { cache: "no-store", signal: AbortSignal.timeout(10000) });
      if (answer.ok) {
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const fresh = page.getElementById("live");
        if (fresh) {
          put(fresh);
          lastNewsMs = performance.now();
          wallMs = Date.now();
        }
      }
    } catch (error) {
      // No network, or the watch is down: sayHowOld tells it.
    }
    sayHowOld();
    setTimeout(ask, EVERY_MS);
  }

  announceAlarms();
  setInterval(sayHowOld, 1000);
  setTimeout(ask, EVERY_MS);
  document.addEventListener("visibilitychange", sayHowOld);
})();
