// SPDX-License-Identifier: GPL-3.0-or-later
//
// The trace as a pencil line on ruled paper, over the reference's envelope
// (hatched). The paper's margin line is the onset. Redraws at most 30 times a
// second, and only when something was touched.

import { roundTop, thin } from '../lib/readings.js';
import { inks } from './inks.js';
import { drawEnvelope, drawMargin, drawOverflow, drawPhases } from './trace_marks.js';

const { uPlot } = globalThis; // the page loads it before its modules
const FRAME_MS = 1000 / 30;
const HEAD_LAG_S = 0.07; // readings come in bunches of 0.05 s
const LEAST_TOP_A = 0.02;
const INRUSH_S = 0.1; // the first readings may carry the inrush; they do not set the scale

// picture(): {readings, shift_s, from_s, to_s, envelope, phases, decided_at_s,
// quiet: drawn faintly, now: the word for time 0 where that is no onset, paper: a
// word for the sheet it is drawn on}, asked for at each redraw; null: nothing to
// draw. The readings' times less shift_s are the times drawn.
export function traceView(place, picture) {
  let ink = inks(place);
  let scale = { from_s: -0.5, to_s: 10, bottom_A: -0.01, top_A: 0.1 };
  let drawn = null;
  let paper = null;
  let dirty = true;
  let asked = false;
  let last_ms = 0;
  let head = { readings: null, time_s: NaN, at_ms: 0 };
  const calm = matchMedia('(prefers-reduced-motion: reduce)');

  const plot = new uPlot(options(), [[], []], place);
  new ResizeObserver(() => {
    plot.setSize(size());
    touch();
  }).observe(place);
  const inkAnew = () => {
    ink = inks(place);
    touch();
  };
  for (const media of ['(prefers-color-scheme: dark)', '(prefers-contrast: more)']) {
    matchMedia(media).addEventListener('change', inkAnew);
  }
  document.addEventListener('light', inkAnew);

  function touch() {
    dirty = true;
    if (asked) return;
    asked = true;
    requestAnimationFrame(frame);
  }

  function frame(now_ms) {
    if (now_ms - last_ms < FRAME_MS - 2) {
      requestAnimationFrame(frame);
      return;
    }
    asked = false;
    if (!dirty) return;
    dirty = false;
    last_ms = now_ms;
    draw(now_ms);
  }

  // How far the pencil has come: it goes on at the pace of time between the bunches
  // of readings, a hair behind them.
  function pencilHead({ readings, quiet, paper: sheet }, now_ms) {
    const newest_s = readings.lastTime_s;
    if (quiet || sheet !== 'live' || calm.matches || head.readings !== readings
      || !Number.isFinite(head.time_s)) {
      head = { readings, time_s: newest_s, at_ms: now_ms };
      return Infinity;
    }
    const moved_s = head.time_s + (now_ms - head.at_ms) / 1000;
    head.time_s = Math.min(newest_s, Math.max(moved_s, newest_s - HEAD_LAG_S));
    head.at_ms = now_ms;
    if (head.time_s < newest_s) touch();
    return head.time_s;
  }

  function draw(now_ms) {
    drawn = picture();
    if (drawn && drawn.paper !== paper) {
      paper = drawn.paper;
      ink = inks(place);
    }
    if (drawn === null) {
      plot.setData([[], []]);
      return;
    }
    const columns = Math.max(100, plot.bbox.width / devicePixelRatio);
    const { readings, shift_s } = drawn;
    const to_s = Math.min(drawn.to_s + shift_s, pencilHead(drawn, now_ms));
    // Columns as wide as on the whole sheet, so that what is drawn stays as it is.
    const share = (to_s - shift_s - drawn.from_s) / (drawn.to_s - drawn.from_s);
    const [times, currents] = thin(readings, drawn.from_s + shift_s, to_s, Math.max(1, columns * share));
    for (let i = 0; i < times.length; i++) times[i] -= shift_s;
    scale = { from_s: drawn.from_s, to_s: drawn.to_s, ...scaleOf(times, currents, drawn) };
    plot.setData([times, currents]);
  }

  function size() {
    return { width: Math.max(200, place.clientWidth), height: Math.max(120, place.clientHeight) };
  }

  function options() {
    const font = () => ink.font;
    return {
      ...size(),
      pxAlign: 1,
      padding: [10, 14, 0, 0],
      cursor: { show: false },
      legend: { show: false },
      scales: {
        x: { time: false, range: () => [scale.from_s, scale.to_s] },
        y: { range: () => [scale.bottom_A, scale.top_A] },
      },
      axes: [
        {
          stroke: () => ink.label, font: font(), size: 34, gap: 4, space: 120,
          grid: { show: false }, ticks: { stroke: () => ink.label, width: 1, size: 7 },
          border: { show: true, stroke: () => ink.label, width: 1 },
          values: (_, ticks) => ticks.map((tick) => timeLabel(tick, drawn)),
        },
        {
          stroke: () => ink.label, font: font(), size: 76, gap: 8, space: (u) => Math.max(30, u.height / 9),
          grid: { stroke: () => ink.rule, width: 1 }, ticks: { show: false },
          values: (_, ticks, __, ___, step) => ticks.map((tick) => levelLabel(tick, step)),
        },
      ],
      series: [
        {},
        { stroke: () => (drawn?.quiet ? ink.faint : ink.pencil), width: 2.4,
          points: { show: false }, spanGaps: false },
      ],
      hooks: {
        drawClear: [(u) => {
          if (drawn === null) return;
          if (drawn.envelope) drawEnvelope(u, drawn.envelope, ink);
          drawMargin(u, ink);
        }],
        draw: [(u) => {
          if (drawn === null) return;
          drawPhases(u, drawn.phases ?? [], drawn.decided_at_s, ink);
          drawOverflow(u, scale.highest_A, scale.top_A, ink);
        }],
      },
    };
  }

  return { touch };
}

// The level axis: above the envelope and above everything drawn but the inrush.
function scaleOf(times, currents, drawn) {
  let highest_A = 0;
  let settled_A = 0;
  let lowest_A = 0;
  for (let i = 0; i < times.length; i++) {
    const value = currents[i];
    if (value === null) continue;
    if (value > highest_A) highest_A = value;
    if (value < lowest_A) lowest_A = value;
    const inrush = drawn.envelope && times[i] >= -INRUSH_S && times[i] < INRUSH_S;
    if (!inrush && value > settled_A) settled_A = value;
  }
  for (const value of drawn.envelope?.high_A ?? []) if (value > settled_A) settled_A = value;
  const top_A = roundTop(Math.max(settled_A, LEAST_TOP_A));
  return { top_A, highest_A, bottom_A: Math.min(-0.04 * top_A, lowest_A * 1.1) };
}

function timeLabel(tick, drawn) {
  if (drawn?.now && tick === 0) return drawn.now;
  return `${Number(tick.toFixed(3))} s`;
}

function levelLabel(tick, step) {
  const decimals = Math.max(0, Math.ceil(-Math.log10(step) - 1e-9));
  if (tick < 0) return '';
  return tick === 0 ? '0 A' : `${tick.toFixed(Math.min(decimals, 4))} A`;
}
