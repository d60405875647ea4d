// SPDX-License-Identifier: GPL-3.0-or-later
//
// A boot-current signature as a drawing: the draw phase by phase as a pencil line,
// each phase over the hatched band that its type's limits leave, seconds below and
// amperes at the left. For paper and for small pictures.

import { drawing } from './page.js';

const LEFT = 46;
const BELOW = 24;
const ABOVE = 8;
const RIGHT = 6;

// phases: a signature's, counted from onset. limits: [{low, high} or null] by phase, A.
// scale: {until_s, top_A} so that several can be laid side by side; or null.
// trace: {time_s, current_A} counted from onset, drawn thin behind; or null.
// label: what it shows, for those who do not see it.
export function signatureDrawing({ phases, limits = [], scale = null, trace = null, wide, high,
  label, id }) {
  const { until_s, top_A } = scale ?? scaleOf([phases], [limits]);
  const x = (time_s) => LEFT + (wide - LEFT - RIGHT) * Math.min(1, Math.max(0, time_s / until_s));
  const y = (current_A) => high - BELOW
    - (high - BELOW - ABOVE) * Math.min(1.05, Math.max(0, current_A / top_A));
  const hatch = `hatch-${id}`;
  return drawing('svg', {
    viewBox: `0 0 ${wide} ${high}`, role: 'img', 'aria-label': label, class: 'signature',
  },
  hatching(hatch),
  ...bands(phases, limits, until_s, x, y, hatch),
  ...axes(until_s, top_A, x, y, wide, high),
  ...(trace ? [drawing('path', { d: traceLine(trace, until_s, x, y), class: 'signature-trace' })]
    : []),
  drawing('path', { d: phaseLine(phases, until_s, x, y), class: 'signature-line' }));
}

// One scale for several signatures.
export function scaleOf(signatures, limits = []) {
  let until_s = 0;
  let top_A = 0;
  for (const phases of signatures) {
    for (const phase of phases ?? []) {
      until_s = Math.max(until_s, phase.to_s ?? 0);
      top_A = Math.max(top_A, phase.level_A ?? 0);
    }
  }
  for (const list of limits) {
    for (const each of list ?? []) top_A = Math.max(top_A, each?.high ?? 0);
  }
  return { until_s: until_s || 1, top_A: (top_A || 0.1) * 1.12 };
}

// What a reference lets a unit draw over time, as a hatched band with its edges.
export function envelopeDrawing({ envelope, wide, high, label, id }) {
  const { time_s, low_A, high_A } = envelope;
  const until_s = Math.max(...time_s) || 1;
  const top_A = Math.max(...high_A) * 1.12 || 0.1;
  const x = (time) => LEFT + (wide - LEFT - RIGHT) * time / until_s;
  const y = (current) => high - BELOW - (high - BELOW - ABOVE) * current / top_A;
  const edge = (list) => list.map((value, i) => `${number(x(time_s[i]))} ${number(y(value))}`);
  const upper = edge(high_A);
  const lower = edge(low_A);
  return drawing('svg', {
    viewBox: `0 0 ${wide} ${high}`, role: 'img', 'aria-label': label, class: 'signature',
  },
  hatching(`hatch-${id}`),
  drawing('path', {
    d: `M${upper.join(' L')} L${[...lower].reverse().join(' L')} Z`, fill: `url(#hatch-${id})`,
  }),
  drawing('path', { d: `M${upper.join(' L')} M${lower.join(' L')}`, class: 'signature-limit' }),
  ...axes(until_s, top_A, x, y, wide, high));
}

function hatching(id) {
  return drawing('defs', {}, drawing('pattern', {
    id, width: 6, height: 6, patternUnits: 'userSpaceOnUse', patternTransform: 'rotate(45)',
  }, drawing('path', { d: 'M0 0 V6', class: 'signature-hatch' })));
}

function bands(phases, limits, until_s, x, y, hatch) {
  if (limits.length !== phases.length) return [];
  return phases.flatMap((phase, i) => {
    const each = limits[i];
    if (!each || phase.from_s >= until_s) return [];
    const left = x(phase.from_s);
    const top = y(each.high);
    const box = {
      x: left, y: top, width: Math.max(0, x(phase.to_s) - left), height: Math.max(0, y(each.low) - top),
    };
    return [
      drawing('rect', { ...box, fill: `url(#${hatch})` }),
      drawing('path', {
        d: `M${left} ${top} h${box.width} M${left} ${top + box.height} h${box.width}`,
        class: 'signature-limit',
      }),
    ];
  });
}

// A ramp or a decay ends elsewhere than it began; its level is the middle.
function phaseLine(phases, until_s, x, y) {
  let path = `M${x(0)} ${y(0)}`;
  for (const phase of phases) {
    if (phase.from_s > until_s) break;
    const half_A = (phase.slope_A_per_s ?? 0) * (phase.to_s - phase.from_s) / 2;
    const sloped = phase.kind === 'ramp' || phase.kind === 'decay';
    const from_A = phase.level_A - (sloped ? half_A : 0);
    const to_A = phase.level_A + (sloped ? half_A : 0);
    path += ` L${number(x(phase.from_s))} ${number(y(from_A))}`;
    path += ` L${number(x(Math.min(phase.to_s, until_s)))} ${number(y(to_A))}`;
  }
  return path;
}

function traceLine({ time_s, current_A }, until_s, x, y) {
  let path = '';
  let pen = false;
  time_s.forEach((time, i) => {
    const here = current_A[i];
    if (here === null || time < 0 || time > until_s) {
      pen = false;
      return;
    }
    path += `${pen ? 'L' : 'M'}${number(x(time))} ${number(y(here))}`;
    pen = true;
  });
  return path || 'M0 0';
}

function axes(until_s, top_A, x, y, wide, high) {
  const marks = [drawing('path', {
    d: `M${LEFT} ${ABOVE} V${high - BELOW} H${wide - RIGHT}`, class: 'signature-axis',
  })];
  for (const current of ticks(top_A, 3)) {
    marks.push(drawing('path', { d: `M${LEFT - 4} ${y(current)} h4`, class: 'signature-axis' }));
    marks.push(text(LEFT - 7, y(current) + 4, 'end', `${round(current)}`));
  }
  for (const time of ticks(until_s, 5)) {
    marks.push(drawing('path', { d: `M${x(time)} ${high - BELOW} v4`, class: 'signature-axis' }));
    marks.push(text(x(time), high - 7, 'middle', `${round(time)}`));
  }
  marks.push(text(LEFT - 7, ABOVE + 9, 'end', 'A'));
  marks.push(text(wide - RIGHT, high - 7, 'end', 's'));
  return marks;
}

function text(x, y, anchor, content) {
  return drawing('text', {
    x: number(x), y: number(y), 'text-anchor': anchor, class: 'signature-text',
  }, content);
}

// Round figures from above 0 to short of the end, where the unit stands.
export function ticks(end, most) {
  const rough = end / most;
  const decade = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((each) => each * decade).find((each) => each >= rough);
  const list = [];
  for (let at = step; at < end * 0.93; at += step) list.push(at);
  return list;
}

const round = (value) => Number(value.toPrecision(6));
const number = (value) => value.toFixed(1);
