// Fingers on a chart: one moves what is zoomed in, two zoom, twice shows all of it; a wheel with Ctrl zooms too.
// Up and down stays the page's: a thumb on the chart still scrolls.

const TWICE_MS = 350;
const NEAR_PX = 30;

export function gestures(over, { view, zoom, all }) {
  const fingers = new Map();
  let before = null;             // where the fingers were, and what was shown then
  let last = { ms: -1e9, x: 0, y: 0 };
  let moved = false;

  function grip() {
    const at = Array.from(fingers.values(), (event) => event.clientX - over.getBoundingClientRect().left);
    before = at.length ? { at, shown: view() } : null;
  }

  function follow() {
    const width = over.clientWidth;
    const { min, max } = before.shown;
    const time = (x) => min + (x / width) * (max - min);
    const now = Array.from(fingers.values(), (event) => event.clientX - over.getBoundingClientRect().left);
    if (now.length === 1) {
      const by = time(before.at[0]) - time(now[0]);
      zoom(min + by, max + by);
    } else if (now.length === 2) {
      // The two moments under the two fingers stay under them.
      const [one, other] = before.at.map(time);
      const apart = now[1] - now[0];
      if (Math.abs(apart) < 10 || one === other) return;
      const perPx = (other - one) / apart;
      if (perPx <= 0) return;
      const from = one - now[0] * perPx;
      zoom(from, from + width * perPx);
    }
  }

  over.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "mouse") return;
    fingers.set(event.pointerId, event);
    moved = fingers.size > 1;
    grip();
  });
  over.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId) || !before) return;
    const start = fingers.get(event.pointerId);
    if (fingers.size === 1 && !moved && Math.abs(event.clientX - start.clientX) < 6) return;
    moved = true;
    fingers.set(event.pointerId, event);
    follow();
  });
  function lift(event) {
    if (!fingers.delete(event.pointerId)) return;
    if (event.type === "pointerup" && !moved) {
      const near = Math.hypot(event.clientX - last.x, event.clientY - last.y) < NEAR_PX;
      if (near && event.timeStamp - last.ms < TWICE_MS) all();
      last = { ms: event.timeStamp, x: event.clientX, y: event.clientY };
    }
    grip();
  }
  over.addEventListener("pointerup", lift);
  over.addEventListener("pointercancel", lift);
  over.addEventListener("dblclick", all);
  over.addEventListener("wheel", (event) => {
    if (!event.ctrlKey) return;  // the page scrolls
    event.preventDefault();
    const { min, max } = view();
    const share = (event.clientX - over.getBoundingClientRect().left) / over.clientWidth;
    const span = (max - min) * Math.exp(event.deltaY / 200);
    const at = min + share * (max - min);
    zoom(at - share * span, at + (1 - share) * span);
  }, { passive: false });
}
