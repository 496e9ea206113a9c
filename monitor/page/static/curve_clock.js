// The clock on the wall of the place, whichever clock the phone goes by.

const DAY_S = 86400;
const STEPS_S = [60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, DAY_S, 2 * DAY_S, 7 * DAY_S];
const LABEL_PX = 56;

export class Clock {
  // ``zone`` holds rows [from when on, seconds ahead of UTC]; ``days`` names the days from Monday on; ``span`` is how
  // long the whole chart lasts, seconds.
  constructor(zone, days, span) {
    Object.assign(this, { zone, days, span });
  }

  ahead(t) {
    let ahead = this.zone[0][1];
    for (const [from, offset] of this.zone) if (t >= from) ahead = offset;
    return ahead;
  }

  there(t) {
    return new Date((t + this.ahead(t)) * 1000);
  }

  // Round times of that place between two moments, as many as ``width`` px have room for.
  ticks(min, max, width) {
    const most = Math.max(2, Math.floor(width / LABEL_PX));
    const step = STEPS_S.find((one) => (max - min) / one <= most) || STEPS_S.at(-1);
    const at = [];
    for (let wall = Math.ceil((min + this.ahead(min)) / step) * step; ; wall += step) {
      const t = wall - this.ahead(wall - this.ahead(wall));
      if (t > max) return at;
      if (t >= min && t !== at.at(-1)) at.push(t);
    }
  }

  // At midnight the day, or whoever looks at two nights could not tell them apart.
  words(t) {
    const minute = this.minute(t);
    return minute === "00:00" && this.span > DAY_S / 2 ? this.day(t) : minute;
  }

  minute(t) {
    return this.there(t).toISOString().slice(11, 16);
  }

  day(t) {
    const there = this.there(t);
    return `${this.days[(there.getUTCDay() + 6) % 7]} ${there.getUTCDate()}`;
  }
}
