// Puts a chart to zoom into in the place of the server's drawing, once it is drawn; without it the drawing stays.
// This file: getting the data, what part is shown, the buttons. curve_draw.js draws, curve_touch.js reads the fingers.
import { Drawn, put } from "./curve_draw.js";
import { gestures } from "./curve_touch.js";

const HOUR_S = 3600;
const LEAST_S = 300;             // nobody needs less than five minutes
const REFRESH_MS = 5000;         // news comes more often than a curve changes to the eye
const FINER_BELOW = 0.5;         // of the whole: from here on the part is fetched as fine as it is

let chart = null;

class Chart {
  constructor(host) {
    this.host = host;
    this.words = JSON.parse(host.dataset.words);
    this.mode = "all";
    this.view = null;            // what is shown: {min, max}, Unix seconds
    this.part = null;            // the finer data of a part: {from, to, values}
    this.dead = false;
  }

  async start() {
    const [data] = await Promise.all([this.ask(""), library(this.host.dataset)]);
    if (this.dead || !this.host.isConnected) return;
    this.build();
    this.host.hidden = false;    // it needs its width before it can be drawn
    const hand = {
      view: () => this.view, zoom: (min, max) => this.zoom(min, max), all: () => this.choose("all"),
    };
    this.drawn = new Drawn(this.host, this.places, this.words, {
      zoom: hand.zoom, read: (at) => this.read(at), made: (over) => gestures(over, hand),
    });
    this.take(data);
    this.host.classList.add("kept-chart");
    document.documentElement.classList.add("has-curve");
    this.size = new ResizeObserver(() => this.drawn.resize());
    this.size.observe(this.host);
  }

  stop() {
    this.dead = true;
    if (this.size) this.size.disconnect();
    if (this.drawn) this.drawn.destroy();
    document.documentElement.classList.remove("has-curve");
  }

  async ask(query) {
    const answer = await fetch(this.host.dataset.json + query, { cache: "no-store", signal: AbortSignal.timeout(15000) });
    if (!answer.ok) throw new Error(`${answer.status}`);
    return answer.json();
  }

  take(data) {
    if (this.data && this.data.batch !== data.batch) { this.mode = "all"; this.part = null; }
    this.data = data;
    this.whole = this.drawn.load(data);
    this.readout.classList.toggle("long", data.probes.length > 2);
    this.place();
  }

  // ---- what part is shown

  place() {
    const { min, max } = this.whole;
    if (this.mode === "all") this.view = { min, max };
    else if (this.mode !== "hand") {
      const span = Number(this.mode) * HOUR_S;
      // Of a running batch the newest hours, with a little of what is to come; of one that ended the first.
      const end = this.data.running ? Math.min(max, this.newest() + span / 8) : Math.min(max, min + span);
      this.view = { min: Math.max(min, end - span), max: end };
    }
    this.show();
  }

  newest() {
    const last = this.data.probes.map((probe) => this.data.from_s + (probe.times.at(-1) ?? 0));
    return Math.max(...last, this.data.from_s);
  }

  zoom(min, max) {
    const whole = this.whole;
    const span = Math.min(Math.max(max - min, LEAST_S), whole.max - whole.min);
    const middle = (min + max) / 2;
    const from = Math.min(Math.max(middle - span / 2, whole.min), whole.max - span);
    this.mode = span >= (whole.max - whole.min) * 0.999 ? "all" : "hand";
    this.view = this.mode === "all" ? { ...whole } : { min: from, max: from + span };
    this.show();
  }

  choose(mode) {
    this.mode = mode;
    this.place();
  }

  move(share) {
    const by = (this.view.max - this.view.min) * share;
    this.zoom(this.view.min + by, this.view.max + by);
  }

  show() {
    this.drawn.show(this.view);
    for (const [mode, button] of Object.entries(this.modes)) {
      button.setAttribute("aria-pressed", String(mode === this.mode));
      // A batch of two hours has no "last 24 h" that differs from all of it.
      button.hidden = mode !== "all" && Number(mode) * HOUR_S >= this.whole.max - this.whole.min;
    }
    this.earlier.disabled = this.view.min <= this.whole.min + 1;
    this.later.disabled = this.view.max >= this.whole.max - 1;
    this.label();
    clearTimeout(this.waiting);
    this.waiting = setTimeout(() => this.refine(), 250);
  }

  async refine() {
    const { min, max } = this.view;
    const span = max - min;
    if (span > (this.whole.max - this.whole.min) * FINER_BELOW || this.dead) return;
    const fresh = this.part && this.part.of === this.data;
    if (fresh && this.part.from <= min && this.part.to >= max && this.part.to - this.part.from < 4 * span) return;
    const [from, to] = [Math.floor(min - span / 2), Math.ceil(max + span / 2)];
    const of = this.data;
    try {
      const values = await this.ask(`?from=${from}&to=${to}`);
      if (this.dead || of !== this.data) return;
      this.part = { from, to, of };
      this.drawn.refine(values, from, to);
      this.drawn.show(this.view);
    } catch {
      // The coarse curve stays, and the page says by itself when nothing comes any more.
    }
  }

  // ---- news

  news() {
    this.label();
    refocus(this.host);
    const wait = Math.max(0, (this.asked || 0) + REFRESH_MS - performance.now());
    if (this.due || document.hidden) return;
    this.due = setTimeout(async () => {
      this.due = 0;
      this.asked = performance.now();
      try {
        const data = await this.ask("");
        if (!this.dead) this.take(data);
      } catch {
        // As above.
      }
    }, wait);
  }

  // What the drawing below says in words, for those who do not see it.
  label() {
    const said = Array.from(document.querySelectorAll(".drawn svg.chart"), (svg) => svg.getAttribute("aria-label"));
    this.drawn.label(said);
  }

  read(at) {
    this.readout.textContent = at === null ? this.words.drawn : this.drawn.say(at);
  }

  // ---- the parts of the box

  build() {
    const words = this.words;
    const button = (text, said, press) => {
      const one = put("button", "zoom", text);
      one.setAttribute("aria-label", said);
      one.type = "button";
      one.addEventListener("click", press);
      return one;
    };
    const running = this.host.dataset.running === "yes";
    this.modes = {
      3: button(words.h3, running ? words.last3 : words.first3, () => this.choose("3")),
      24: button(words.h24, running ? words.last24 : words.first24, () => this.choose("24")),
      all: button(words.all, words.whole, () => this.choose("all")),
    };
    this.earlier = button("\u2190", words.earlier, () => this.move(-0.5));
    this.later = button("\u2192", words.later, () => this.move(0.5));
    this.readout = put("p", "readout", words.drawn);
    this.places = { temperature: put("div", "plot"), heat: put("div", "plot"), title: put("h4", "", words.title) };
    const row = put("div", "zooms");
    row.append(this.modes[3], this.modes[24], this.modes.all, this.earlier, this.later);
    this.host.replaceChildren(this.readout, this.places.temperature, row, this.places.title, this.places.heat);
  }
}

// ---- the library, from the server's own address, once

let loading = null;

function library(data) {
  if (!loading) {
    const style = put("link");
    style.rel = "stylesheet";
    style.href = data.css;
    const script = put("script");
    script.src = data.js;
    loading = Promise.all([style, script].map((node) => new Promise((done, failed) => {
      node.addEventListener("load", done);
      node.addEventListener("error", () => failed(new Error(node.src || node.href)));
    })));
    document.head.append(style, script);
  }
  return loading;
}

// ---- a button that was moved with its box at news keeps the focus

let focused = null;
document.addEventListener("focusin", (event) => { focused = event.target; });
document.addEventListener("pointerdown", (event) => { if (event.target !== focused) focused = null; });

function refocus(host) {
  if (document.activeElement === document.body && focused && host.contains(focused)) {
    focused.focus({ preventScroll: true });
  }
}

function begin() {
  const host = document.getElementById("curve");
  if (chart && chart.host === host) {
    if (chart.drawn) chart.news();
    return;
  }
  if (chart) chart.stop();
  chart = host && new Chart(host);
  if (chart) {
    const mine = chart;
    mine.start().catch(() => {    // no library or no data: the server's drawing stays, and the next news tries again
      mine.stop();
      host.hidden = true;
      if (chart === mine) chart = null;
      loading = null;
    });
  }
}

document.addEventListener("emberpail:news", begin);
begin();
