// SPDX-License-Identifier: GPL-3.0-or-later
//
// The soak on a copy: the log of the on-time after the watch, with its drops marked.

import { Problem } from '../lib/api.js';
import { drawing, element } from '../lib/page.js';
import { amperes, counted, duration } from '../lib/words.js';

const WIDTH = 1000;
const HEIGHT = 90;
const LEAST_S = 60; // shorter, and without a drop, it is no soak
const MOST_NAMED = 3;

export function soakView(place, ask) {
  let of = null; // the power-up's id that is laid out, or being asked for

  // item: the power-up of the copy, or null.
  async function show(item) {
    const id = item?.id ?? null;
    if (id === of) return;
    of = id;
    place.hidden = true;
    if (id === null) return;
    try {
      const log = await ask(`power-ups/${encodeURIComponent(id)}/on-time`);
      if (of === id) lay(log, item.onset_s ?? 0);
    } catch (problem) {
      if (!(problem instanceof Problem)) throw problem;
    }
  }

  function lay(log, onset_s) {
    const { time_s, drops } = log;
    const lasted_s = time_s.length > 1 ? time_s[time_s.length - 1] - time_s[0] : 0;
    place.hidden = drops.length === 0 && lasted_s < LEAST_S;
    if (place.hidden) return;
    place.replaceChildren(picture(log), element('p', 'soak-words', words(log, lasted_s, onset_s)));
  }

  return { show };
}

// "Soak of 2 h 10 min: 1 drop. 12 min 04 s after onset to 0.120 A of 0.250 A, for 3.2 s."
export function words({ drops }, lasted_s, onset_s) {
  const whole = `Soak of ${duration(lasted_s)}: ${drops.length === 0 ? 'no drop' : counted(drops.length, 'drop')}.`;
  const deepest = [...drops].sort((a, b) => a.low_A / a.of_A - b.low_A / b.of_A).slice(0, MOST_NAMED)
    .sort((a, b) => a.from_s - b.from_s)
    .map((drop) => `${duration(drop.from_s - onset_s)} after onset to ${amperes(drop.low_A)} of `
      + `${amperes(drop.of_A)}, for ${duration(drop.to_s - drop.from_s)}`);
  if (deepest.length === 0) return whole;
  return `${whole} ${drops.length > MOST_NAMED ? 'The deepest: ' : ''}${deepest.join('; ')}.`;
}

function picture({ time_s, current_A, drops }) {
  const from_s = time_s[0];
  const over_s = Math.max(time_s[time_s.length - 1] - from_s, 1);
  const top_A = current_A.reduce((most, value) => Math.max(most, value ?? 0), 0.001);
  const x = (time) => ((time - from_s) / over_s) * WIDTH;
  const y = (value) => HEIGHT - 4 - (value / top_A) * (HEIGHT - 12);
  const marks = drops.flatMap((drop) => {
    const left = x(drop.from_s);
    const width = Math.max(x(drop.to_s) - left, 3);
    return [drawing('rect', { class: 'soak-drop', x: left, y: 0, width, height: HEIGHT })];
  });
  const made = drawing('svg', {
    viewBox: `0 0 ${WIDTH} ${HEIGHT}`, preserveAspectRatio: 'none', class: 'soak-paper', role: 'img',
    'aria-label': 'Draw over the soak, drops marked',
  }, ...marks, drawing('path', { class: 'soak-line', d: line(time_s, current_A, x, y) }));
  return made;
}

// A stroke from least to most in each thousandth of the width: drops are seen, and a
// day of a reading a second is drawn at once.
function line(time_s, current_A, x, y) {
  const parts = [];
  let column = -1;
  let least = 0;
  let most = 0;
  let pen = false;
  const put = () => {
    if (column < 0) return;
    parts.push(`${pen ? 'L' : 'M'}${column} ${y(most).toFixed(1)}L${column} ${y(least).toFixed(1)}`);
    pen = true;
  };
  time_s.forEach((time, i) => {
    const value = current_A[i];
    if (value === null) {
      put();
      column = -1;
      pen = false;
      return;
    }
    const here = Math.round(x(time));
    if (here !== column) {
      put();
      column = here;
      least = value;
      most = value;
    }
    least = Math.min(least, value);
    most = Math.max(most, value);
  });
  put();
  return parts.join('');
}
