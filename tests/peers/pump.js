"use strict";
// The intensifier of an invented shop. Every figure here is invented.

const PRESSURE = 2500; // bar
const RATE = 20; // strokes/min with the jet on

/** Between 0 and 1, always the same for the same time. */
function noise(t) {
  const x = Math.sin(t * 12.9898) * 43758.5453;
  return x - Math.floor(x);
}

/**
 * What a pump measures. `origin` is the time (s since 1970) at which its day began, `start` what
 * its clock showed then, `speed` how fast the day passes, `jet` how long the jet is on and off
 * (s), `chip` when (s of the day) and by what share the bore opens. All of it is a function of
 * time, so the day goes on where a server was restarted. `rows`, [[s of the day, values], …], is
 * a logged day in its place; a channel that it lacks is undefined.
 */
function pumpOf({ origin, start, speed, step, jet, chip, first_count, rows }) {
  const [on, off] = jet;

  function jetTime(t) {
    return Math.floor(t / (on + off)) * on + Math.min(t % (on + off), on);
  }

  function virtual(t) {
    const running = t % (on + off) < on;
    const opened = chip !== null && t >= chip.at ? chip.size : 0;
    const more = opened ? opened * (jetTime(t) - jetTime(chip.at)) : 0;
    const strokes = (RATE / 60) * (jetTime(t) + more);
    const reversing = running && strokes % 1 < 0.05;
    return {
      pressure: PRESSURE + 10 * (noise(t) - 0.5) - (reversing ? 40 : 0),
      stroke_count: first_count + Math.floor(strokes),
      rate: running ? RATE * (1 + opened) : 0,
      valve: running,
      temperature: 18 + 0.2 * Math.sin(t / 300),
    };
  }

  /** Index of the last row that is not after `t`, -1 where there is none. */
  function rowBefore(t) {
    let [low, high] = [0, rows.length];
    while (low < high) {
      const middle = (low + high) >> 1;
      if (rows[middle][0] <= t) low = middle + 1;
      else high = middle;
    }
    return low - 1;
  }

  return {
    /** By a clock that no fault sets. */
    now: () => Math.max(0, ((performance.timeOrigin + performance.now()) / 1000 - origin) * speed),
    clock: (t) => start + t,
    at: (t) => (rows ? rows[Math.max(0, rowBefore(t))][1] : virtual(step * Math.floor(t / step))),
    /** The times after `from` and up to `to` at which there is something new. */
    instants(from, to) {
      if (rows) return rows.slice(rowBefore(from) + 1, rowBefore(to) + 1).map(([t]) => t);
      const first = Math.floor(from / step) + 1;
      const count = Math.floor(to / step) - first + 1;
      return Array.from({ length: Math.max(0, count) }, (_, i) => (first + i) * step);
    },
  };
}

module.exports = { pumpOf };
