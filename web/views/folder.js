// SPDX-License-Identifier: GPL-3.0-or-later
//
// Units and their folders. Without a serial number in the address: the list; with
// one: everything kept of that unit, order by order, newest first.

import { Problem, get } from '../lib/api.js';
import { isHeat } from '../lib/orders.js';
import { element, setHidden, setText } from '../lib/page.js';
import { clockTime, counted, day } from '../lib/words.js';
import { chartsPart, trendPart } from './folder_trend.js';
import { powerUpsPart } from './folder_power_ups.js';
import { stagesPart } from './folder_stages.js';
import { closeSlip } from './order_slips.js';
import { recordSlip } from './record_slip.js';
import { spine } from './spine.js';
import { undoStrip } from './undo.js';

const LONG_TEXT = 110;

const at = (id) => document.getElementById(id);
const place = at('folder');
const strip = undoStrip(at('undo'));
let asking = 0; // only the newest of two answers is laid out

spine(at('spine'), 'folders');
at('find').addEventListener('submit', (event) => {
  event.preventDefault();
  const text = at('find-text').value.trim();
  show(text);
});
window.addEventListener('hashchange', () => show());
show();

function named() {
  return decodeURIComponent(location.hash.slice(1));
}

async function show(search = null) {
  const mine = ++asking;
  setHidden(at('folder-problem'), true);
  try {
    const serial = search === null ? named() : '';
    const parts = serial ? await unitParts(serial) : await listParts(search ?? '');
    if (mine !== asking) return;
    place.replaceChildren(...parts);
    document.title = serial ? `Folder of ${serial}` : 'Folders';
  } catch (problem) {
    if (!(problem instanceof Problem)) throw problem;
    if (mine !== asking) return;
    setText(at('folder-problem'), problem.message);
    setHidden(at('folder-problem'), false);
  }
}

// --- the list ---

async function listParts(search) {
  const query = search ? `&search=${encodeURIComponent(search)}` : '';
  const { items } = await get(`units?limit=100${query}`);
  if (items.length === 1 && search) {
    location.hash = encodeURIComponent(items[0].serial);
    return unitParts(items[0].serial);
  }
  if (items.length === 0) {
    return [element('p', 'folder-empty', search
      ? `No unit and no customer's reference holds "${search}".`
      : 'No unit yet. Scan or type a serial number on the bench page: its folder begins there.')];
  }
  return [element('ul', 'folder-list', ...items.map(unitLine))];
}

function unitLine(unit) {
  const link = element('a', 'folder-link', element('b', '', unit.serial),
    element('span', '', unit.module_type ?? 'no type'),
    element('span', 'quiet', unitState(unit)));
  link.href = `#${encodeURIComponent(unit.serial)}`;
  return element('li', '', link);
}

function unitState(unit) {
  if (unit.open_work_order) return `open, work order ${unit.open_work_order}`;
  return unit.warranty ? `under warranty, ${counted(unit.warranty.days_left, 'day')} left` : 'no open work order';
}

export function warrantyText(warranty) {
  return `Under warranty, ${counted(warranty.days_left, 'day')} left (work order ${warranty.work_order})`;
}

// Something was written: the folder is laid out anew, with the same orders open.
async function changed(words, undo) {
  await show();
  strip.offer(words, undo && (async () => {
    await undo();
    await show();
  }));
}

// --- one unit ---

async function unitParts(serial) {
  const { items } = await get(`units?serial=${encodeURIComponent(serial)}`);
  if (items.length === 0) throw new Problem(`No unit with the serial number ${serial} is known here.`);
  const unit = await get(`units/${items[0].id}`);
  const orders = unit.work_orders ?? [];
  const parts = [titlePart(unit)];
  // The one that is asked for, or the newest.
  const asked = new URLSearchParams(location.search).get('order');
  const newest = orders.find(({ id }) => id === asked) ?? orders[0];
  const open = openOrders(serial) ?? [newest?.id];
  for (const order of orders) parts.push(orderPart(unit, order, open.includes(order.id)));
  if (orders.length === 0) parts.push(element('p', 'folder-empty', 'No work order yet.'));
  return parts;
}

// Those that lie open now; null where it is another unit's folder.
function openOrders(serial) {
  const folds = [...place.querySelectorAll('.order')].filter((fold) => fold.dataset.unit === serial);
  return folds.length ? folds.filter((fold) => fold.open).map((fold) => fold.dataset.order) : null;
}

function titlePart(unit) {
  const about = [unit.module_type ?? 'no type', unit.revision && `revision ${unit.revision}`,
    unit.set_up && `set-up: ${unit.set_up}`].filter(Boolean).join(', ');
  const head = element('header', 'folder-head', element('h1', '', unit.serial),
    element('p', '', about));
  if (unit.warranty) head.append(element('p', 'folder-warranty', warrantyText(unit.warranty)));
  return head;
}

// Folded until opened, save the newest; what it holds is fetched then.
function orderPart(unit, order, open) {
  const fold = element('details', 'order');
  fold.dataset.unit = unit.serial;
  fold.dataset.order = order.id;
  const state = order.closed_at ? `${order.outcome}, closed ${day(order.closed_at)}` : 'open';
  fold.append(element('summary', '', element('b', '', `Work order ${order.id}`),
    element('span', '', `came in ${day(order.created_at)}`), element('span', '', state)));
  const inside = element('div', 'order-inside', element('p', 'quiet', 'Fetching …'));
  fold.append(inside);
  let fetched = false;
  fold.addEventListener('toggle', () => {
    if (!fold.open || fetched) return;
    fetched = true;
    fill(inside, unit, order.id);
  });
  fold.open = open;
  return fold;
}

async function fill(inside, unit, id) {
  try {
    const [order, trend, power_ups, supplies] = await Promise.all([get(`work-orders/${id}`),
      get(`work-orders/${id}/trend`), get(`power-ups?work_order=${id}&limit=200`), get('supplies')]);
    const stages = await stagesPart(order, trend, power_ups.items);
    inside.replaceChildren(...factsPart(order), deedsPart(order, supplies.items, changed), ...stages,
      ...await comparisonPart(unit, order, power_ups.items), ...trendPart(trend),
      ...powerUpsPart(order, power_ups.items, changed), ...logPart(order));
  } catch (problem) {
    if (!(problem instanceof Problem)) throw problem;
    inside.replaceChildren(element('p', 'folder-problem', problem.message));
  }
}

function factsPart(order) {
  const facts = [['Complaint', order.complaint], ["Customer's reference", order.customer_reference],
    ['Condition', order.condition], ['Cells on the board', order.cells],
    ['Found', order.found_cause], ['Parts', order.parts], ['By', order.hand]];
  const list = element('dl', 'order-facts');
  for (const [label, value] of facts) {
    if (value) list.append(factPart(label, value));
  }
  return list.children.length ? [list] : [];
}

// A long text is folded behind its beginning, cut at a word.
function factPart(label, value) {
  if (value.length <= LONG_TEXT) return element('div', '', element('dt', '', label), element('dd', '', value));
  const start = `${value.slice(0, value.lastIndexOf(' ', LONG_TEXT) > 0 ? value.lastIndexOf(' ', LONG_TEXT) : LONG_TEXT)} …`;
  const fold = element('details', '', element('summary', '', element('span', 'fact-start', start),
    element('span', 'fact-more', 'all of it')), value);
  return element('div', 'order-fact-long', element('dt', '', label), element('dd', '', fold));
}

// A unit that came back: what it draws now against what it drew when it left.
async function comparisonPart(unit, order, power_ups) {
  const newest = power_ups.find((item) => item.state !== 'open' && !item.tag && !isHeat(item.stage, null));
  if (!newest || !unit.work_orders.some((each) => leftRepaired(each, order))) return [];
  const compared = await get(`units/${unit.id}/shipped-comparison?power_up=${newest.id}`);
  return [element('section', '',
    element('h2', '', `Power-up ${newest.id} against its own signature when it left`),
    element('p', 'quiet', `Work order ${compared.work_order}, ${counted(compared.shipped.length, 'good power-up')} of its last stage.`),
    element('ul', 'changes', ...compared.said.map((text) => element('li', '', text))),
    ...chartsPart(compared))];
}

const leftRepaired = (each, order) => Number(each.id) < Number(order.id)
  && each.outcome === 'repaired' && (each.verdicts[each.stages.at(-1)]?.good ?? 0) > 0;

function logPart(order) {
  const lines = [
    ...(order.notes ?? []).map((each) => ({ ...each, words: each.text })),
    ...(order.meter_readings ?? []).map((each) => ({
      ...each, words: `${each.what}: ${each.value} ${each.unit}${each.before_power ? ', before power' : ''}`,
    })),
  ].sort((a, b) => Date.parse(a.at) - Date.parse(b.at));
  const photos = (order.photos ?? []).filter((photo) => !photo.struck_at);
  if (lines.length + photos.length === 0) return [];
  const list = element('ul', 'order-log', ...lines.map((each) => {
    const line = element(each.struck_at ? 's' : 'span', '', each.words);
    return element('li', '', element('span', 'order-log-when',
      `${day(each.at)} ${clockTime(each.at, false)}`), element('span', 'order-log-stage', each.stage ?? ''),
    line, element('span', 'quiet', each.hand ?? ''),
    ...(each.struck_at ? [element('span', 'quiet', `struck: ${each.struck_why}`)] : []));
  }));
  const pictures = element('div', 'order-photos', ...photos.map((photo) => {
    const picture = element('img', '');
    picture.src = `/api/v1/photos/${photo.id}`;
    picture.alt = `Photo, ${photo.stage ?? 'no stage'}, ${day(photo.at)}`;
    picture.loading = 'lazy';
    const link = element('a', '', picture);
    link.href = picture.src;
    return link;
  }));
  return [element('section', '', element('h2', '', 'Notes and meter readings'), list,
    ...(photos.length ? [pictures] : []))];
}

// What is still to do with the order, and what was written of it.
function deedsPart(order, supplies, refill) {
  const deeds = element('div', 'folder-deeds');
  for (const record of order.records ?? []) {
    const link = element('a', 'tool', `Record ${record.number}, ${day(record.at)}`);
    link.href = `/record.html#${record.id}`;
    deeds.append(link);
  }
  if (!order.closed_at) {
    const on = supplies.find((each) => each.work_order === order.id);
    const link = element('a', 'tool', on ? `On the bench at ${on.name}: go on there` : 'Go on with it on the bench page');
    link.href = on ? `/#${encodeURIComponent(on.name)}` : '/';
    deeds.append(link, deed('Close the order', () => closeSlip(order, refill)));
  } else if (!order.records?.length) {
    deeds.append(deed('Write the record', () => recordSlip(order, (record) => refill(`Record ${record.number} written.`, null)), 'firm'));
  }
  return deeds;
}

function deed(words, act, className = '') {
  const button = element('button', className, words);
  button.type = 'button';
  button.addEventListener('click', act);
  return button;
}
