// What is drawn on a chart beside its lines: areas, the limit, lone readings, and the deeds with their numbers.
// ``u`` is the uPlot chart; colours are names of the style sheet.

// Dash and width in px, as in the style sheet; the first probe is thick and whole, whichever it is.
const LINES = {
  core: { colour: "--paste", width: 2.5 }, wall: { colour: "--wall", width: 1.8, dash: [12, 4] },
  top: { colour: "--top", width: 1.8, dash: [2, 3] }, bottom: { colour: "--bottom", width: 1.8, dash: [12, 3, 2, 3] },
  air: { colour: "--air", width: 1.5, dash: [5, 3] }, heat: { colour: "--text", width: 2 },
};

// The probe to go by is drawn as the core is, whichever it is.
export const styleOf = (name, first) => LINES[name === first ? "core" : name] || LINES.core;

export const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

export const family = () => getComputedStyle(document.body).fontFamily;

export function clipped(u, draw) {
  const { left, top, width, height } = u.bbox;
  u.ctx.save();
  u.ctx.beginPath();
  u.ctx.rect(left, top, width, height);
  u.ctx.clip();
  draw();
  u.ctx.restore();
}

// Rows of [time, low, high].
export function area(u, rows, name) {
  if (rows.length < 2) return;
  const { ctx } = u;
  ctx.beginPath();
  for (const [t, , high] of rows) ctx.lineTo(u.valToPos(t, "x", true), u.valToPos(high, "y", true));
  for (const [t, low] of [...rows].reverse()) ctx.lineTo(u.valToPos(t, "x", true), u.valToPos(low, "y", true));
  ctx.closePath();
  ctx.fillStyle = colour(name);
  ctx.fill();
  if (name !== "--forecast") return;
  ctx.save();                  // told from the other band by its edge as well as by its colour
  ctx.strokeStyle = colour("--line");
  ctx.setLineDash([4 * devicePixelRatio, 3 * devicePixelRatio]);
  ctx.lineWidth = devicePixelRatio;
  ctx.stroke();
  ctx.restore();
}

export function rule(u, [x1, y1, x2, y2 = y1], name, dash) {
  const { ctx } = u;
  ctx.save();
  ctx.strokeStyle = colour(name);
  ctx.lineWidth = 1.5 * devicePixelRatio;
  ctx.setLineDash(dash.map((length) => length * devicePixelRatio));
  ctx.beginPath();
  ctx.moveTo(x1, y1);
  ctx.lineTo(x2, y2);
  ctx.stroke();
  ctx.restore();
}

// Where one reading stands alone no line is drawn; and the newest is where the eye begins.
export function dots(u, lines, first) {
  lines.forEach((line) => {
    const style = styleOf(line.name, first);
    const newest = line.levels.length - 1;
    line.levels.forEach((level, place) => {
      const alone = level !== null && (line.levels[place - 1] ?? null) === null && (line.levels[place + 1] ?? null) === null;
      const eye = line.name === first && place === newest;
      if (!alone && !eye) return;
      const { ctx } = u;
      ctx.beginPath();
      ctx.fillStyle = colour(style.colour);
      const radius = (eye ? 5 : 2) * devicePixelRatio;
      ctx.arc(u.valToPos(line.times[place], "x", true), u.valToPos(level, "y", true), radius, 0, 2 * Math.PI);
      ctx.fill();
    });
  });
}

// The unit in the corner, and a line for each deed with its number.
export function marks(u, events, unit) {
  const { ctx, bbox } = u;
  const ratio = devicePixelRatio;
  ctx.save();
  ctx.font = `bold ${13 * ratio}px ${family()}`;
  ctx.fillStyle = colour("--soft");
  ctx.textBaseline = "alphabetic";
  ctx.textAlign = "left";
  ctx.fillText(unit, 4 * ratio, 13 * ratio);
  ctx.fillStyle = colour("--text");
  ctx.textAlign = "center";
  let free = -Infinity;
  events.forEach((event, i) => {
    const x = u.valToPos(event.at_s, "x", true);
    if (x < bbox.left - 1 || x > bbox.left + bbox.width + 1) return;
    ctx.lineDashOffset = (i % 2) * 2 * ratio;  // side by side they would look like a ladder
    rule(u, [x, bbox.top - 4 * ratio, x, bbox.top + bbox.height], "--line", [1, 3]);
    // Deeds minutes apart on a scale of days: the numbers step aside a little, then stay away; the lines do not.
    const label = Math.max(x, free);
    if (label - x > 40 * ratio || label > bbox.left + bbox.width) return;
    ctx.fillText(String(i + 1), label, bbox.top - 8 * ratio);
    free = label + (i < 8 ? 15 : 22) * ratio;
  });
  ctx.restore();
}
