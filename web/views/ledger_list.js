// SPDX-License-Identifier: GPL-3.0-or-later
//
// What a figure of the ledger counts: its power-ups, or its work orders, each
// leading to its unit's folder.

import { get } from '../lib/api.js';
import { dateWords, dayWords } from '../lib/days.js';
import { element } from '../lib/page.js';
import { reasonWords } from '../lib/reason_words.js';
import { amperes, clockTime, counted, day } from '../lib/words.js';
import { TOOK, link, orderLine, took } from './ledger_figures.js';
import { mark } from './mark.js';

const PAGE = 100;

// parts: what the address says.
export async function listParts(ledger, parts) {
  const back = element('a', 'tool', 'Back to the ledger');
  back.href = link(ledger, {});
  const laid = parts.get('show') === 'orders' ? ordersPart(ledger, parts) : await powerUpsPart(ledger, parts);
  return [element('p', 'ledger-back', back), ...laid];
}

const title = (text) => element('h2', 'ledger-list-title', text);

// --- power-ups ---

const FILTERS = ['verdict', 'reason', 'module_type', 'stage'];

function powerUpsQuery(ledger, parts) {
  const query = new URLSearchParams({ limit: PAGE, from: ledger.from, to: ledger.to });
  for (const key of FILTERS) if (parts.has(key)) query.set(key, parts.get(key));
  const [from, to] = daysOf(ledger, parts);
  query.set('from', from);
  query.set('to', to);
  return query;
}

function daysOf(ledger, parts) {
  if (parts.has('day')) return [parts.get('day'), parts.get('day')];
  return parts.has('between') ? parts.get('between').split(' ') : [ledger.from, ledger.to];
}

function powerUpsTitle(ledger, parts) {
  const [from, to] = daysOf(ledger, parts);
  const days = from === to ? dayWords(from) : `${dateWords(from)} to ${dateWords(to)}`;
  return [`Power-ups, ${days}`, parts.get('verdict'), parts.has('reason') && reasonWords(parts.get('reason')),
    parts.has('module_type') && (parts.get('module_type') || 'no type said'), parts.get('stage')].filter(Boolean).join(', ');
}

async function powerUpsPart(ledger, parts) {
  const query = powerUpsQuery(ledger, parts);
  const list = element('ul', 'folder-list');
  const more = element('button', '', 'More');
  more.type = 'button';
  async function fetchOn() {
    const { items, next } = await get(`power-ups?${query}`);
    // What is still being watched has no verdict, and is in no figure.
    list.append(...items.filter((item) => item.verdict).map(powerUpLine));
    more.hidden = next === null;
    if (next !== null) query.set('before', next);
  }
  more.addEventListener('click', fetchOn);
  await fetchOn();
  if (list.children.length === 0) {
    return [title(powerUpsTitle(ledger, parts)), element('p', 'folder-empty', 'None. A power-up that was moved or judged anew since is listed where it is now.')];
  }
  return [title(powerUpsTitle(ledger, parts)), list, more];
}

function powerUpLine(item) {
  const { verdict } = item.verdict;
  const parts = [mark(verdict, 'small'),
    element('b', '', item.unit ?? 'no unit'),
    element('span', '', `${day(item.started_at)} ${clockTime(item.started_at, false)}`),
    element('span', '', [item.stage ?? 'no stage', item.tag].filter(Boolean).join(', ')),
    element('span', 'ledger-draw', amperes(item.verdict.final_draw_A)),
    element('span', 'ledger-reason', item.verdict.reasons?.[0]?.text ?? '')];
  if (!item.unit) return element('li', 'ledger-power-up', ...parts);
  const made = element('a', 'ledger-power-up', ...parts);
  const order = item.work_order ? `?order=${encodeURIComponent(item.work_order)}` : '';
  made.href = `/folder.html${order}#${encodeURIComponent(item.unit)}`;
  return element('li', '', made);
}

// --- work orders ---

function ordersPart(ledger, parts) {
  const { ids, words, told = {} } = ordersOf(ledger, parts);
  const known = new Map(ledger.work_orders.map((order) => [order.id, order]));
  const lines = ids.filter((id) => known.has(id)).map((id) => {
    const order = known.get(id);
    return orderLine({
      id, unit: order.unit, state: order.outcome ?? 'open',
      words: [order.module_type ?? 'no type', told[id] ?? `came in ${day(order.created_at)}`].join(', '),
    });
  });
  return [title(`${counted(lines.length, 'work order')}: ${words}`), element('ul', 'folder-list', ...lines)];
}

const byDays = (orders) => Object.fromEntries(orders.map(({ id, days }) => [id, `${days.toFixed(1)} days from intake to close`]));

function ordersOf(ledger, parts) {
  const of = parts.get('of');
  const closed = ledger.turnaround_days.work_orders;
  if (of === 'returns') {
    return {
      ids: ledger.returns.map((each) => each.work_order), words: 'came back within warranty',
      told: Object.fromEntries(ledger.returns.map((each) => [each.work_order, `${counted(each.days_after, 'day')} after it left`])),
    };
  }
  if (of === 'outcome') {
    const found = ledger.outcomes.find((each) => (each.outcome ?? '') === parts.get('outcome'));
    return { ids: found?.work_orders ?? [], words: parts.get('outcome') || 'outcome not said', told: byDays(closed) };
  }
  if (of === 'took') {
    const span = TOOK.find(([words]) => words === parts.get('span')) ?? TOOK[0];
    const orders = closed.filter((order) => took(order, span));
    return { ids: orders.map(({ id }) => id), words: `closed ${span[0]}`, told: byDays(orders) };
  }
  if (of === 'closed') return { ids: closed.map(({ id }) => id), words: 'closed', told: byDays(closed) };
  const stage = ledger.stages.find((each) => each.stage === parts.get('stage'));
  return { ids: stage?.[of]?.work_orders ?? [], words: `${of}, ${parts.get('stage')}` };
}
