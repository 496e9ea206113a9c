// Draws the two charts with uPlot: temperatures, and below them the heat released. Colours come from the style sheet,
// so that light, dark and a change between them need nothing here but a new drawing.
/* global uPlot */
import { Clock } from "./curve_clock.js";
import { area, clipped, colour, dots, family, marks, rule, styleOf } from "./curve_paint.js";

const TOP = 24;
const HEIGHTS = { temperature: 300, heat: 190 };

export function put(tag, kind = "", text = "") {
  const node = document.createElement(tag);
  if (kind) node.className = kind;
  if (text) node.textContent = text;
  return node;
}

export class Drawn {
  // ``zoom(min, max)`` is asked for by a mouse, ``read(t)`` is told what it points at, and ``made(over)`` what to listen
  // to on each new chart: a second probe, or the first heat, may come long after the page was opened.
  constructor(host, places, words, { zoom, read, made }) {
    Object.assign(this, { host, places, words, zoom, read, made });
    this.fahrenheit = host.dataset.unit === "°F";
    this.dark = matchMedia("(prefers-color-scheme: dark)");
    this.repaint = () => this.redraw();
    this.dark.addEventListener("change", this.repaint);
    this.lines = [];
    this.areas = { band: [], forecast: [], heat: [] };
    this.view = { min: 0, max: 1 };
    this.charts = {};
  }

  destroy() {
    this.dark.removeEventListener("change", this.repaint);
    Object.values(this.charts).forEach((one) => one.destroy());
  }

  redraw() {
    Object.values(this.charts).forEach((one) => one.redraw(false, true));
  }

  // ---- data

  shown(celsius) {
    return celsius === null || !this.fahrenheit ? celsius : celsius * 1.8 + 32;
  }

  // Takes what curve.json gave; returns the first and the last moment of all of it.
  load(data) {
    this.data = data;
    const at = (times) => times.map((after) => data.from_s + after);
    const area = ({ times, low_c, high_c }) => at(times).map((t, i) => [t, this.shown(low_c[i]), this.shown(high_c[i])]);
    this.first = data.probes[0]?.probe;
    this.whole = this.linesOf(data);
    this.lines = this.whole;
    this.areas = {
      band: area(data.band), forecast: area(data.forecast),
      heat: at(data.heat.times).map((t, i) => [t, data.heat.low_kj[i], data.heat.high_kj[i]]),
    };
    this.heat = { name: "heat", times: at(data.heat.times), levels: data.heat.kj };
    const times = [...this.lines.map((line) => line.times), this.heat.times,
      ...Object.values(this.areas).map((area) => area.map((row) => row[0]))].filter((some) => some.length);
    const min = Math.min(...times.map((some) => some[0]));
    this.full = { min, max: Math.max(min + 600, ...times.map((some) => some.at(-1))) };
    this.clock = new Clock(data.zone, this.words.days, this.full.max - this.full.min);
    this.make();
    this.feed();
    return this.full;
  }

  linesOf(data) {
    const line = (name, { times, temperature_c }) => ({
      name, times: times.map((after) => data.from_s + after), levels: temperature_c.map((level) => this.shown(level)),
    });
    // What is drawn last lies on top: the probe to go by.
    const [first, ...others] = data.probes.map((probe) => line(probe.probe, probe));
    return [line("air", data.air), ...others, ...(first ? [first] : [])];
  }

  // A part in full detail takes the place of the same hours of the whole.
  refine(values, from, to) {
    const finer = new Map(this.linesOf(values).map((line) => [line.name, line]));
    this.lines = this.whole.map((line) => {
      const part = finer.get(line.name);
      if (!part || !part.times.length) return line;
      const before = line.times.findIndex((t) => t >= from);
      const after = line.times.findIndex((t) => t > to);
      const [head, tail] = [before < 0 ? line.times.length : before, after < 0 ? line.times.length : after];
      const join = (some, middle) => [...some.slice(0, head), ...middle, ...some.slice(tail)];
      return { name: line.name, times: join(line.times, part.times), levels: join(line.levels, part.levels) };
    });
    this.feed();
  }

  // ---- uPlot

  make() {
    const names = this.lines.map((line) => line.name).join();
    if (names !== this.names) {
      this.names = names;
      this.charts.temperature?.destroy();
      this.charts.temperature = this.plot("temperature", this.lines, (min, max) => this.range(min, max));
    }
    const has = this.heat.times.length > 1;
    this.places.title.hidden = this.places.heat.hidden = !has;
    if (has && !this.charts.heat) {
      this.charts.heat = this.plot("heat", [this.heat], () => [0, Math.max(1, ...this.areas.heat.map((row) => row[2])) * 1.05]);
    }
  }

  plot(kind, lines, range) {
    const ratio = devicePixelRatio;
    const axis = { stroke: () => colour("--soft"), font: `13px ${family()}`, ticks: { show: false } };
    const series = lines.map((line) => {
      const style = styleOf(line.name, this.first);
      return {
        stroke: () => colour(style.colour),
        width: style.width, dash: style.dash?.map((length) => length * ratio), points: { show: false },
      };
    });
    const chart = new uPlot({
      width: this.places[kind].clientWidth || 300,
      height: HEIGHTS[kind],
      padding: [TOP, 20, 0, 0],
      legend: { show: false },
      cursor: {
        drag: { x: true, y: false, setScale: false }, y: false, points: { show: false }, sync: { key: "curve" },
        bind: { dblclick: () => null },
      },
      scales: { x: { time: false, range: () => [this.view.min, this.view.max] }, y: { range: (u, min, max) => range(min, max) } },
      axes: [
        { ...axis, size: 30, grid: { show: false }, ticks: { show: true, size: 5, width: 1, stroke: () => colour("--line") },
          splits: (u, i, min, max) => this.clock.ticks(min, max, this.places[kind].clientWidth - 60), values: (u, at) => at.map((t) => this.clock.words(t)) },
        { ...axis, size: 46, grid: { stroke: () => colour("--hair"), width: 1 }, values: (u, at) => at.map((level) => this.figure(level)) },
      ],
      series: [{}, ...series],
      hooks: {
        drawClear: [(u) => this.under(u, kind)],
        draw: [(u) => this.above(u, kind)],
        setSelect: [(u) => this.selected(u)],
        setCursor: [(u) => { if (u.cursor.event) this.read(u.cursor.left >= 0 ? u.posToVal(u.cursor.left, "x") : null); }],
      },
    }, [[this.view.min, this.view.max], ...lines.map(() => [null, null])], this.places[kind]);
    chart.ctx.canvas.setAttribute("role", "img");
    this.made(chart.over);
    return chart;
  }

  feed() {
    this.charts.temperature.setData(uPlot.join(
      // A gap of one probe is a gap, however many moments of the others lie in it.
      this.lines.map((line) => [line.times, line.levels]), this.lines.map(() => [0, 2])), false);
    this.charts.heat?.setData([this.heat.times, gaps(this.heat.times, this.heat.levels)], false);
  }

  show(view) {
    this.view = view;
    for (const one of Object.values(this.charts)) one.setScale("x", view);
  }

  resize() {
    for (const [kind, one] of Object.entries(this.charts)) {
      const width = this.places[kind].clientWidth;
      if (width && width !== one.width) one.setSize({ width, height: HEIGHTS[kind] });
    }
  }

  selected(u) {
    const { left, width } = u.select;
    if (width < 8) return;
    u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    this.zoom(u.posToVal(left, "x"), u.posToVal(left + width, "x"));
  }

  // Whole tens round what is seen, at least 40 K apart for all of it and 10 K for a part.
  range(min, max) {
    const { view, full } = this;
    const seen = [...this.areas.band, ...this.areas.forecast].filter((row) => row[0] >= view.min && row[0] <= view.max);
    let low = Math.min(min ?? Infinity, ...seen.map((row) => row[1]));
    let high = Math.max(max ?? -Infinity, ...seen.map((row) => row[2]));
    if (!Number.isFinite(low) || !Number.isFinite(high)) [low, high] = [0, 100];
    const limit = this.shown(this.data.too_hot_c);
    if (limit !== null && high > limit - (this.fahrenheit ? 36 : 20)) high = Math.max(high, limit);
    const round = view.max - view.min < full.max - full.min ? 5 : 10;
    low = Math.floor((low - 1) / round) * round;
    high = Math.ceil((high + 1) / round) * round;
    return [low, Math.max(high, low + 4 * round)];
  }

  // ---- what uPlot does not draw

  under(u, kind) {
    clipped(u, () => {
      if (kind === "heat") return area(u, this.areas.heat, "--heat-range");
      area(u, this.areas.band, "--band");
      area(u, this.areas.forecast, "--forecast");
    });
  }

  above(u, kind) {
    clipped(u, () => {
      if (kind === "heat") return;
      const limit = this.shown(this.data.too_hot_c);
      if (limit !== null && limit <= u.scales.y.max) {
        rule(u, [u.bbox.left, u.valToPos(limit, "y", true), u.bbox.left + u.bbox.width], "--limit", [8, 3, 2, 3]);
      }
      dots(u, this.lines.slice(1), this.first);
    });
    marks(u, this.data.events, kind === "heat" ? "kJ" : this.host.dataset.unit);
  }

  // ---- words and figures

  label(said) {
    this.charts.temperature?.ctx.canvas.setAttribute("aria-label", said[0] || this.words.paste);
    this.charts.heat?.ctx.canvas.setAttribute("aria-label", said[1] || this.words.heat);
  }

  figure(level, digits = 0) {
    return (Number.isInteger(level) ? String(level) : level.toFixed(digits || 1)).replace(".", this.words.decimal);
  }

  // What stood at a moment: "Sat 14 08:34: core 71.4 · top 68.0 · air 8.2 °C · 610 kJ".
  say(t) {
    const parts = [];
    const name = (line) => (line.name === "air" ? this.words.air : this.lines.length > 2 ? line.name : this.words.paste);
    const told = (level, digits) => level.toFixed(digits).replace(".", this.words.decimal);
    for (const line of [this.lines.at(-1), ...this.lines.slice(1, -1), this.lines[0]]) {
      const level = levelAt(line, t);
      if (level !== null) parts.push(`${name(line)} ${told(level, 1)}`);
    }
    const ahead = parts.length ? undefined : this.areas.forecast.find((row) => Math.abs(row[0] - t) < 900);
    if (ahead) parts.push(this.words.forecast.replace("[low]", told(ahead[1], 0)).replace("[high]", told(ahead[2], 0)));
    if (parts.length) parts.push(`${parts.pop()} ${this.host.dataset.unit}`);
    const kj = this.heat.times.length > 1 ? levelAt(this.heat, t) : null;
    if (kj !== null) parts.push(`${told(kj, 0)} kJ`);
    return `${this.clock.day(t)} ${this.clock.minute(t)}: ${parts.join(" · ") || this.words.nothing}`;
  }
}

// The reading next to a moment; null in a gap and outside, where the next one would tell of another time.
function levelAt({ times, levels }, t) {
  let [low, high] = [0, times.length - 1];
  if (high < 0 || t < times[0] - 600 || t > times[high] + 600) return null;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (times[middle] <= t) low = middle; else high = middle;
  }
  if (levels[high] === null) return t - times[low] < 300 ? levels[low] : null;
  if (levels[low] === null) return levels[high];
  return t - times[low] <= times[high] - t ? levels[low] : levels[high];
}

// No line over an hour and more without an estimate.
function gaps(times, levels) {
  return levels.map((level, i) => (i > 0 && times[i] - times[i - 1] > 3600 ? null : level));
}
