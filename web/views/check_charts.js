// SPDX-License-Identifier: GPL-3.0-or-later
//
// The control charts of a supply's checks: each day's value as a cross, the
// weighted average as a line between its limits.

import { drawing, element } from '../lib/page.js';
import { amperes, day } from '../lib/words.js';

const WIDE = 560;
const HIGH = 170;
const LEFT = 64;
const BELOW = 26;
const TOP = 10;
const MOST_DAYS = 60;

export function chartsPart(checks) {
  if (checks.charts.length === 0) {
    return [element('p', 'check-empty', 'No check yet. It takes two minutes; do it before the first unit of the day.')];
  }
  return [element('h2', '', 'Day by day'),
    ...checks.findings.map((text) => element('p', 'check-finding', text)),
    ...checks.charts.map(chart)];
}

// Zero lies far below what a draw is told in.
const SMALL_A = 0.01;
const small = (value) => `${value < 0 ? '−' : ''}${Math.abs(1000 * value).toFixed(2)} mA`;
const ofAmperes = (value) => (Math.abs(value) < SMALL_A ? small(value) : amperes(value));
const valueText = (unit, value) => (unit === 'A' ? ofAmperes(value) : `${value >= 0 ? '+' : '−'}${Math.abs(100 * value).toFixed(2)} %`);

const names = {
  zero: 'Zero', 'check standard': 'Check standard, against its first day',
};

function chart(of) {
  const points = of.points.slice(-MOST_DAYS);
  const values = points.flatMap((point) => [point.value, point.ewma, point.ewma_low, point.ewma_high])
    .filter((value) => value !== null);
  const low = Math.min(...values);
  const high = Math.max(...values);
  const room = (high - low) * 0.15 || Math.abs(high) * 0.1 || 0.001;
  const y = (value) => TOP + (HIGH - BELOW - TOP) * (1 - (value - low + room) / (high - low + 2 * room));
  const x = (i) => LEFT + 14 + (WIDE - LEFT - 28) * (points.length === 1 ? 0.5 : i / (points.length - 1));
  const newest = points.at(-1);
  const name = names[of.kind] ?? `Resistor${of.of.slice('resistor'.length)}, against Ohm's law`;
  const label = `${name}: ${valueText(of.unit, newest.value)} on ${day(newest.at)}${newest.signal ? ', moved' : ''}`;
  return element('figure', 'check-chart',
    element('figcaption', '', element('b', '', name), ` ${valueText(of.unit, newest.value)}`,
      newest.signal ? element('span', 'check-moved', ' moved') : ''),
    drawing('svg', { viewBox: `0 0 ${WIDE} ${HIGH}`, role: 'img', 'aria-label': label },
      ...axis(of, points, low, high, x, y), ...limits(points, x, y), ...crosses(points, x, y)));
}

function axis(of, points, low, high, x, y) {
  const marks = [drawing('path', { d: `M${LEFT} ${TOP} V${HIGH - BELOW} H${WIDE - 6}`, class: 'signature-axis' })];
  for (const value of [low, high]) {
    marks.push(drawing('text', {
      x: LEFT - 6, y: y(value) + 4, 'text-anchor': 'end', class: 'signature-text',
    }, valueText(of.unit, value)));
  }
  const ends = points.length > 1 ? [[0, 'start'], [points.length - 1, 'end']] : [[0, 'middle']];
  for (const [i, anchor] of ends) {
    marks.push(drawing('text', {
      x: x(i), y: HIGH - 8, 'text-anchor': anchor, class: 'signature-text',
    }, day(points[i].at)));
  }
  return marks;
}

function line(points, key, x, y) {
  let path = '';
  points.forEach((point, i) => {
    if (point[key] !== null) path += `${path ? 'L' : 'M'}${x(i).toFixed(1)} ${y(point[key]).toFixed(1)}`;
  });
  return path || 'M0 0';
}

function limits(points, x, y) {
  return [
    drawing('path', { d: line(points, 'ewma_low', x, y), class: 'check-limit' }),
    drawing('path', { d: line(points, 'ewma_high', x, y), class: 'check-limit' }),
    drawing('path', { d: line(points, 'ewma', x, y), class: 'check-average' }),
  ];
}

function crosses(points, x, y) {
  return points.map((point, i) => drawing('path', {
    d: `M${x(i) - 4} ${y(point.value) - 4} l8 8 m0 -8 l-8 8${point.signal ? ` m-5 -13 h18 v18 h-18 z` : ''}`,
    class: 'check-cross',
  }));
}
