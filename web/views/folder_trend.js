// SPDX-License-Identifier: GPL-3.0-or-later
//
// Final draw and phase durations across the stages, with their limits and how well
// each is known; what changed between stages in words.

import { drawing, element } from '../lib/page.js';
import { amperes, duration } from '../lib/words.js';
import { ticks } from '../lib/signature_drawing.js';

const WIDE = 420;
const HIGH = 200;
const LEFT = 52;
const BELOW = 44;
const TOP = 10;

// The rows as small charts, and by what they are tested.
export function chartsPart(trend) {
  const rows = trend.rows.filter((row) => row.of !== 'level_A' && row.points.length > 1);
  return rows.length ? [element('div', 'trends', ...rows.map(chart)),
    element('p', 'trend-method', trend.method)] : [];
}

// trend: as work-orders/ID/trend tells it.
export function trendPart(trend) {
  const rows = trend.rows.filter((row) => row.of !== 'level_A' && row.points.length > 1);
  const changes = trend.rows.flatMap((row) => row.changes.map((change) => ({ row, change })));
  const told = changes.filter(({ change }) => change.more_than_own_spread);
  const parts = [];
  if (rows.length) parts.push(element('div', 'trends', ...rows.map(chart)));
  if (changes.length) {
    parts.push(element('ul', 'changes', ...told.map(({ row, change }) => element('li', '',
      changeSentence(row, change)))));
    if (told.length < changes.length) parts.push(element('p', 'quiet', restSentence(changes, told)));
    parts.push(element('p', 'trend-method', trend.method));
  }
  return parts.length ? [element('section', 'trend', element('h2', '', 'Across the stages'), ...parts)] : [];
}

// What no spread is known of was not tested.
function restSentence(changes, told) {
  if (changes.every(({ change }) => change.p === null)) {
    return 'Whether anything changed cannot be told yet: no spread is known to compare with. '
      + 'Power the unit up some more at a stage.';
  }
  return `Nothing ${told.length ? 'else ' : ''}changed by more than the unit's own spread.`;
}

function rowName(row) {
  if (row.of === 'final_draw_A') return 'Final draw';
  return row.of === 'duration_s' ? `Phase ${row.phase + 1}, how long` : `Phase ${row.phase + 1}, draw`;
}

const valueText = (row, value) => (row.of === 'duration_s' ? duration(value) : amperes(value));

const percent = (share) => `${share >= 0 ? '+' : '−'}${Math.abs(100 * share).toFixed(1)} %`;

export function changeSentence(row, change) {
  const range = change.low_share === null ? ''
    : ` (95 %: ${percent(change.low_share)} to ${percent(change.high_share)})`;
  return `${rowName(row)}: ${percent(change.difference_share)}${range} from ${change.from} to ${change.to}, more than its own spread.`;
}

function chart(row) {
  const values = row.points.flatMap((point) => [point.mean, point.low, point.high])
    .concat(row.limits ? [row.limits.low, row.limits.high] : []).filter((value) => value !== null);
  const low = Math.min(...values);
  const high = Math.max(...values);
  const room = (high - low) * 0.12 || high * 0.05 || 1;
  const y = (value) => TOP + (HIGH - BELOW - TOP) * (1 - (value - low + room) / (high - low + 2 * room));
  const x = (i) => LEFT + 26 + (WIDE - LEFT - 60) * (row.points.length === 1 ? 0.5 : i / (row.points.length - 1));
  const label = `${rowName(row)}: ${row.points.map((point) => `${point.stage} ${valueText(row, point.mean)}`).join(', ')}`;
  const marks = [...limitMarks(row, y), ...axisMarks(row, low - room, high + room, y)];
  marks.push(drawing('path', {
    d: row.points.map((point, i) => `${i ? 'L' : 'M'}${x(i)} ${y(point.mean)}`).join(' '), class: 'trend-line',
  }));
  row.points.forEach((point, i) => marks.push(...pointMarks(point, x(i), y, row.points.length > 3 ? i % 2 : 0)));
  return element('figure', 'trend-chart', element('figcaption', '', rowName(row)),
    drawing('svg', { viewBox: `0 0 ${WIDE} ${HIGH}`, role: 'img', 'aria-label': label }, ...marks));
}

function limitMarks(row, y) {
  if (!row.limits) return [];
  const { low, high } = row.limits;
  return [
    drawing('rect', {
      x: LEFT, y: y(high), width: WIDE - LEFT - 6, height: Math.max(0, y(low) - y(high)), class: 'trend-band',
    }),
    drawing('path', { d: `M${LEFT} ${y(high)} H${WIDE - 6} M${LEFT} ${y(low)} H${WIDE - 6}`, class: 'signature-limit' }),
    limitText(row, high, y(high) + 15), limitText(row, low, y(low) - 4),
  ];
}

function limitText(row, value, at) {
  return drawing('text', { x: WIDE - 10, y: at, 'text-anchor': 'end', class: 'signature-text' },
    valueText(row, value));
}

// Values of a narrow range are marked by what they are over its foot.
function axisMarks(row, low, high, y) {
  const marks = [drawing('path', { d: `M${LEFT} ${TOP} V${HIGH - BELOW} H${WIDE - 6}`, class: 'signature-axis' })];
  const step = ticks(high - low, 3)[0];
  for (let at = Math.ceil(low / step) * step; at < high; at += step) {
    marks.push(drawing('path', { d: `M${LEFT - 4} ${y(at)} h4`, class: 'signature-axis' }));
    marks.push(drawing('text', {
      x: LEFT - 7, y: y(at) + 5, 'text-anchor': 'end', class: 'signature-text',
    }, String(Number(at.toPrecision(4)))));
  }
  marks.push(drawing('text', { x: LEFT + 5, y: TOP + 12, class: 'signature-text' },
    row.of === 'duration_s' ? 's' : 'A'));
  return marks;
}

// A cross with its uncertainty as a bar; many names go in two lines so that neighbours
// do not touch.
function pointMarks(point, x, y, line) {
  const at = y(point.mean);
  const marks = [drawing('path', { d: `M${x - 5} ${at - 5} l10 10 m0 -10 l-10 10`, class: 'trend-point' })];
  if (point.low !== null) {
    marks.push(drawing('path', {
      d: `M${x} ${y(point.low)} V${y(point.high)} M${x - 4} ${y(point.low)} h8 M${x - 4} ${y(point.high)} h8`,
      class: 'trend-bar',
    }));
  }
  marks.push(drawing('text', {
    x, y: HIGH - BELOW + 17 + 18 * line, 'text-anchor': 'middle', class: 'signature-text',
  }, point.stage));
  return marks;
}
