// SPDX-License-Identifier: GPL-3.0-or-later
//
// The figures of the ledger: rows of hatched bars, a word and a count with each. A
// figure is a link to what it counts.

import { dateWords, dayCount, periods } from '../lib/days.js';
import { drawing, element } from '../lib/page.js';
import { reasonWords } from '../lib/reason_words.js';
import { counted } from '../lib/words.js';

const VERDICTS = ['good', 'bad', 'unsure'];

export function figureParts(ledger) {
  const judged = sum(ledger.verdicts_by_day, VERDICTS);
  if (judged === 0 && ledger.work_orders.length === 0) return [...emptyPart(ledger)];
  return [inkwell(), overview(ledger, judged), verdictsPart(ledger), reasonsPart(ledger),
    stagesPart(ledger), outcomesPart(ledger), turnaroundPart(ledger), returnsPart(ledger)];
}

const sum = (rows, keys) => rows.reduce(
  (total, row) => keys.reduce((inside, key) => inside + row[key], total), 0,
);

export function link(ledger, parts) {
  return `#${new URLSearchParams({ from: ledger.from, to: ledger.to, ...parts })}`;
}

const daysWords = ({ from, to }) => (from === to ? dateWords(from, new Date().getFullYear())
  : `${dateWords(from, Number(to.slice(0, 4)))} to ${dateWords(to, new Date().getFullYear())}`);

function emptyPart(ledger) {
  return [
    element('p', 'folder-empty', `Nothing was judged, taken in or closed from ${daysWords(ledger)}.`),
    element('p', '', 'The ledger fills itself. Every power-up caught on the bench page is counted by '
      + 'its day and verdict; every work order by its stages, its outcome and the days it took; a unit '
      + 'that is scanned in again while its warranty runs is counted as come back. Choose other days '
      + 'above, or take a unit in on the bench page.'),
  ];
}

function overview(ledger, judged) {
  return element('p', 'ledger-overview', `${daysWords(ledger)}, ${counted(dayCount(ledger.from, ledger.to), 'day')} `
    + `by the shop's own clocks (UTC${ledger.utc_offset}): `, ...figures([
    [counted(judged, 'power-up') + ' judged', { show: 'power-ups' }, judged],
    [`${counted(closedCount(ledger), 'work order')} closed`, { show: 'orders', of: 'closed' }, closedCount(ledger)],
    [`${ledger.returns.length} came back`, { show: 'orders', of: 'returns' }, ledger.returns.length],
  ], ledger));
}

const closedCount = (ledger) => ledger.turnaround_days.count;

function figures(list, ledger) {
  return list.flatMap(([words, parts, count], i) => [i ? ', ' : '', figureLink(words, parts, count, ledger)])
    .concat('.');
}

function figureLink(words, parts, count, ledger) {
  if (count === 0) return words;
  const made = element('a', 'ledger-figure', words);
  made.href = link(ledger, parts);
  return made;
}

function section(title, note, ...parts) {
  return element('section', 'ledger-part', element('h2', '', title),
    ...(note ? [element('p', 'quiet', note)] : []), ...parts);
}

// --- bars ---

// The inks that bars are hatched with, once for all of them.
function inkwell() {
  const hatch = (id, ...lines) => drawing('pattern', {
    id: `bar-${id}`, width: 8, height: 8, patternUnits: 'userSpaceOnUse',
  }, ...lines.map((d) => drawing('path', { d, class: `bar-line bar-line-${id}` })));
  const made = drawing('svg', { width: 0, height: 0, 'aria-hidden': 'true' }, drawing('defs', {},
    hatch('good', 'M-2 10 L10 -2 M-2 2 L2 -2 M6 10 L10 6'),
    hatch('bad', 'M-2 10 L10 -2 M-2 2 L2 -2 M6 10 L10 6', 'M-2 -2 L10 10 M-2 6 L2 10 M6 -2 L10 2'),
    hatch('unsure', 'M0 2 H3 M4 6 H7'), hatch('plain', 'M0 2 H8 M0 6 H8')));
  made.setAttribute('class', 'inkwell');
  return made;
}

// cells: [{words, count, ink, parts: what the link says}].
function row(ledger, label, cells, most) {
  return element('li', 'ledger-row', element('span', 'ledger-label', label),
    ...cells.map((cell) => bar(ledger, label, cell, most)));
}

function bar(ledger, label, { words, count, ink, parts }, most) {
  if (count === 0) return element('span', 'ledger-bar quiet', element('span', 'ledger-count', `0 ${words}`));
  const made = element('a', 'ledger-bar', element('span', 'ledger-count', element('b', '', String(count)), ` ${words}`),
    drawing('svg', { class: 'ledger-ink', 'aria-hidden': 'true' }, drawing('rect', {
      x: 1, y: 1, width: `${(98 * count / most).toFixed(1)}%`, height: 20, class: `bar bar-${ink}`, fill: `url(#bar-${ink})`,
    })));
  made.href = link(ledger, parts);
  made.setAttribute('aria-label', `${count} ${words}, ${label}`);
  return made;
}

const largest = (counts) => Math.max(1, ...counts);

// --- the sections ---

function verdictsPart(ledger) {
  const groups = periods(ledger.verdicts_by_day, ledger.from, ledger.to).map((group) => ({
    ...group, counts: VERDICTS.map((verdict) => sum(group.rows, [verdict])),
  }));
  const most = largest(groups.flatMap(({ counts }) => counts));
  return section('Verdicts', 'Days without a power-up are left out.', element('ul', 'ledger-rows', ...groups.map(
    ({ from, to, words, counts }) => row(ledger, words, VERDICTS.map((verdict, i) => ({
      words: verdict, count: counts[i], ink: verdict,
      parts: { show: 'power-ups', verdict, ...(from === to ? { day: from } : { between: `${from} ${to}` }) },
    })), most),
  )));
}

function reasonsPart(ledger) {
  const rows = ledger.reasons_by_type;
  if (rows.length === 0) return section('Why not good', 'Every power-up was good.');
  const most = largest(rows.map(({ count }) => count));
  const types = [...new Set(rows.map((each) => each.module_type))];
  return section('Why not good, by type', 'The first reason of each power-up that was bad or unsure.',
    ...types.map((type) => element('div', 'ledger-type', element('h3', '', type ?? 'no type said'),
      element('ul', 'ledger-rows ledger-single', ...rows.filter((each) => each.module_type === type).map(
        ({ code, verdict, count }) => row(ledger, reasonWords(code), [{
          words: verdict, count, ink: verdict,
          parts: { show: 'power-ups', module_type: type ?? '', reason: code, verdict },
        }], most),
      )))));
}

function stagesPart(ledger) {
  const most = largest(ledger.stages.flatMap((each) => [each.passed.count, each.failed.count, each.undecided.count]));
  const kinds = [['passed', 'passed', 'good'], ['failed', 'failed', 'bad'], ['unsure', 'undecided', 'unsure']];
  return section('Where repairs fail', 'Work orders by their last verdict at each stage. At the first '
    + 'stage a unit is as it came in; after that, what fails goes back to the stage before.',
  element('ul', 'ledger-rows', ...ledger.stages.map((each) => row(ledger, each.stage, kinds.map(([words, of, ink]) => ({
    words, count: each[of].count, ink, parts: { show: 'orders', of, stage: each.stage },
  })), most))));
}

function outcomesPart(ledger) {
  if (ledger.outcomes.length === 0) return section('What became of them', 'No work order was closed in these days.');
  const most = largest(ledger.outcomes.map(({ count }) => count));
  return section('What became of them', 'Work orders closed in these days.',
    element('ul', 'ledger-rows ledger-single', ...ledger.outcomes.map(({ outcome, count }) => row(
      ledger, outcome ?? 'not said', [{
        words: count === 1 ? 'order' : 'orders', count, ink: 'plain', parts: { show: 'orders', of: 'outcome', outcome: outcome ?? '' },
      }], most,
    ))));
}

export const TOOK = [['within a day', 0, 1], ['one to three days', 1, 3], ['three to seven days', 3, 7],
  ['one to two weeks', 7, 14], ['two to four weeks', 14, 28], ['longer', 28, Infinity]];

export const took = (order, [, from, to]) => order.days >= from && order.days < to;

const daysText = (days) => (days < 1 ? `${(24 * days).toFixed(1)} hours` : `${days.toFixed(1)} days`);

function turnaroundPart(ledger) {
  const { count, median, shortest, longest, work_orders: orders } = ledger.turnaround_days;
  if (count === 0) return section('From intake to close', 'No work order was closed in these days.');
  const rows = TOOK.map((span) => [span[0], orders.filter((order) => took(order, span)).length]);
  const most = largest(rows.map(([, each]) => each));
  return section('From intake to close', `Half of ${counted(count, 'work order')} took ${daysText(median)} or less; `
    + `the quickest ${daysText(shortest)}, the slowest ${daysText(longest)}.`,
  element('ul', 'ledger-rows ledger-single', ...rows.filter(([, each]) => each > 0).map(([words, each]) => row(ledger, words, [{
    words: each === 1 ? 'order' : 'orders', count: each, ink: 'plain', parts: { show: 'orders', of: 'took', span: words },
  }], most))));
}

function returnsPart(ledger) {
  const under = `${counted(ledger.under_warranty, 'work order')} had a warranty running in these days`;
  if (ledger.returns.length === 0) {
    return section('Back within warranty', `None came back; ${under}.`);
  }
  return section('Back within warranty', `${ledger.returns.length} came back; ${under}.`,
    element('ul', 'folder-list', ...ledger.returns.map((each) => orderLine({
      id: each.work_order, unit: each.unit,
      words: `${counted(each.days_after, 'day')} after work order ${each.returned_from} was closed`,
      state: each.outcome ?? 'open',
    }))));
}

// A work order as a line that leads to its unit's folder, opened there.
export function orderLine({ id, unit, words, state }) {
  const made = element('a', 'folder-link', element('b', '', unit),
    element('span', '', `work order ${id}, ${state}`), element('span', 'quiet', words));
  made.href = `/folder.html?order=${encodeURIComponent(id)}#${encodeURIComponent(unit)}`;
  return element('li', '', made);
}
