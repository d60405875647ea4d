// SPDX-License-Identifier: GPL-3.0-or-later
//
// The repair on the bench page: scanning a unit in, its stages, its order's slips,
// the question whether it is still this unit, moving a power-up.

import { Problem, get, post, put } from '../lib/api.js';
import { hand } from '../lib/hand.js';
import { OrderWatch, hasCell, isHeat } from '../lib/orders.js';
import { setHidden, setText } from '../lib/page.js';
import { CELL_CAUTION, takeIn } from './intake.js';
import { moveSlip } from './move_slip.js';
import { orderLine } from './order_line.js';
import { closeSlip, noteSlip, orderSlip, photoSlip, readingSlip } from './order_slips.js';
import { recordSlip } from './record_slip.js';
import { scanField } from './scan.js';
import { field, slip } from './slip.js';
import { stagesView } from './stages.js';
import { undoStrip } from './undo.js';

const CLOSED_KEY = 'bench.closed'; // the order this tablet closed last, by supply
const KEYS = ['module_type', 'unit', 'work_order', 'stage', 'tag'];

// bench: {chosen(): a supply's watch or null, bound(): a supply's name or null,
// scanTo(name): lays its sheet, told(item): a supply's item after a write, moved(item): a power-up's,
// render()}
export function repairDesk(places, bench) {
  const orders = new OrderWatch(get, bench.render);
  const strip = undoStrip(places.undo);
  const scan = scanField(places.scan, scanned);
  const stages = stagesView(places, (said) => sayOnBench(said, `Stage: ${words(said)}`));
  const line = orderLine(places.order, {
    note: () => noteSlip(orders.order, stageNow(), written),
    reading: () => readingSlip(orders.order, stageNow(), written),
    photo: () => photoSlip(orders.order, stageNow(), written),
    about: () => orderSlip(orders.order, written),
    close: () => {
      const before = { ...item() };
      closeSlip(orders.order, (what, reopen) => closed(before, what, reopen));
    },
    record: writeRecord,
    reopen: reopenSlip,
    off: () => {
      rememberClosed(item().name, null);
      bench.render();
    },
  });
  orders.fetchSettings();

  const item = () => bench.chosen()?.item ?? null;
  const stageNow = () => item()?.stage ?? orders.order?.stage ?? orders.stages[0];

  // --- a unit ---

  async function scanned(serial) {
    const name = bench.bound();
    if (name === null) {
      strip.offer('No supply is configured, so there is nothing to put the unit on.', null, { tone: 'trouble' });
      return;
    }
    bench.scanTo(name);
    const before = item();
    await strip.tried(() => takeIn(name, serial, (answer) => taken(before, answer)), `${serial} is not taken in`);
  }

  function taken(before, { unit, work_order: order, supply, made_unit, made_work_order }) {
    rememberClosed(supply.name, null);
    bench.told(supply);
    orders.follow(supply, performance.now());
    if (before?.unit === unit.serial && before?.work_order === order.id) {
      strip.offer(`${unit.serial} is on the bench already.`);
      return;
    }
    const what = made_unit ? `${unit.serial} taken in, order ${order.id}`
      : made_work_order ? `${unit.serial} is back: new order ${order.id}${left(unit)}`
        : `${unit.serial}, order ${order.id}, ${supply.stage}`;
    strip.offer(what, () => putOnBench(supply.name, before));
    if (hasCell(order) && isHeat(supply.stage, supply.tag)) strip.offer(CELL_CAUTION, null, { stay: true, tone: 'trouble' });
  }

  const left = ({ warranty }) => (warranty ? `, ${warranty.days_left} days of warranty left` : '');

  // --- what stands on the bench ---

  async function putOnBench(name, said) {
    const body = Object.fromEntries(KEYS.map((key) => [key, said?.[key] ?? null]));
    bench.told(await put(`supplies/${encodeURIComponent(name)}/on-bench`, body));
    await orders.touch();
  }

  async function sayOnBench(said, what) {
    const before = { ...item() };
    await strip.tried(async () => {
      await putOnBench(before.name, { ...before, ...said });
      strip.offer(what, () => putOnBench(before.name, before));
      if (hasCell(orders.order) && isHeat(said.stage, said.tag)) {
        strip.offer(CELL_CAUTION, () => putOnBench(before.name, before), { stay: true, tone: 'trouble' });
      }
    });
  }

  async function stillThis() {
    const { name } = item();
    await strip.tried(async () => {
      bench.told(await post(`supplies/${encodeURIComponent(name)}/on-bench/confirm`, {}));
    });
  }

  // The power-up is nobody's until somebody says whose.
  async function anotherUnit() {
    const before = { ...item() };
    const watch = bench.chosen();
    const powerUp = { ...watch.current?.item ?? watch.last };
    const attached = powerUp.id !== undefined && powerUp.unit === before.unit;
    await strip.tried(async () => {
      await putOnBench(before.name, { module_type: before.module_type });
      if (attached) {
        await attach(powerUp.id, { unit: null, work_order: null, stage: null, why: 'another unit was on the bench' });
      }
      strip.offer(`${before.unit} is off the bench. Scan the one that is there.`, async () => {
        await putOnBench(before.name, before);
        if (!attached) return;
        const { unit, work_order, stage } = powerUp;
        await attach(powerUp.id, { unit, work_order, stage, why: 'it was this unit after all' });
      });
    });
  }

  async function attach(id, said) {
    bench.moved(await put(`power-ups/${encodeURIComponent(id)}/attachment`, { ...said, hand: hand() || null }));
  }

  // --- what is written ---

  // A closed order is off the bench; its record is still to be written here.
  function closed(before, what, reopen) {
    rememberClosed(before.name, { unit: before.unit, work_order: before.work_order });
    written(what, async () => {
      await reopen();
      rememberClosed(before.name, null);
      await putOnBench(before.name, before);
    });
  }

  function written(what, undo) {
    orders.touch();
    strip.offer(what, async () => {
      await undo();
      await orders.touch();
    });
  }

  function writeRecord() {
    recordSlip(orders.order, async (record) => {
      strip.offer(`Record ${record.number} written.`);
      await orders.touch();
    });
  }

  function reopenSlip() {
    const { order } = orders;
    const before = item();
    const why = field('Why', { maxLength: 500 });
    slip({
      title: `Reopen order ${order.id}`, body: [why.row], save: 'Reopen it', fields: { why: why.input },
      act: async () => {
        if (why.input.value.trim() === '') throw new Problem('Why it is reopened is not said.', 0, 'why');
        await post(`work-orders/${encodeURIComponent(order.id)}/reopen`, { why: why.input.value.trim() });
        rememberClosed(before.name, null);
        await putOnBench(before.name, { module_type: orders.unit?.module_type, unit: order.unit, work_order: order.id, stage: order.stage });
      },
    });
    why.input.focus();
  }

  function move(powerUp) {
    moveSlip(powerUp, orders.settings.stages, (moved, undo) => {
      bench.moved(moved);
      strip.offer(`Power-up ${moved.id} moved to ${moved.unit ?? 'nobody'}.`,
        undo && (async () => bench.moved(await undo())));
    });
  }

  // --- what is laid out ---

  // copy: the power-up laid out as a copy, or null.
  function show(watch, copy) {
    const on = withClosed(watch?.item ?? null);
    if (on) orders.follow(on, performance.now());
    const ask = copy === null && Boolean(on?.ask_unit) && Boolean(on.unit);
    const chips = copy === null && Boolean(watch?.item?.work_order) && !ask;
    setHidden(places.still, !ask);
    setHidden(places.stages, !chips);
    setHidden(places.tags, !chips);
    setHidden(places.stageSaid, chips || ask);
    setHidden(places.stageLabel, ask);
    if (ask) setText(places.stillText, `Still ${on.unit}${on.stage ? `, ${on.stage}` : ''}?`);
    if (chips) stages.show(on, orders.order, orders.stages);
    setHidden(places.order, on === null);
    line.show(on, orders);
    showBound();
    setHidden(places.move, copy === null);
  }

  function showBound() {
    const bound = bench.bound();
    const chosen = bench.chosen()?.name ?? null;
    const elsewhere = bound !== null && chosen !== null && bound !== chosen;
    scan.show(bound === null ? '' : `\u2013 goes to ${bound}`);
    setHidden(places.bind, !elsewhere);
    if (elsewhere) setText(places.bind, `Let it go to ${chosen}`);
  }

  places.stillYes.addEventListener('click', stillThis);
  places.stillNo.addEventListener('click', anotherUnit);

  return { show, move, refetch: () => orders.fetchSettings(), cell: () => hasCell(orders.order), orders, strip };
}

function closedOrders() {
  return JSON.parse(localStorage.getItem(CLOSED_KEY) ?? '{}');
}

function rememberClosed(supply, order) {
  localStorage.setItem(CLOSED_KEY, JSON.stringify({ ...closedOrders(), [supply]: order }));
}

// What the tear-off is about: what is on the bench, else what was closed there last.
function withClosed(item) {
  if (item === null || item.unit || item.work_order) return item;
  return { ...item, ...closedOrders()[item.name] };
}

const words = ({ stage, tag }) => `${stage ?? 'none'}${tag ? `, ${tag}` : ''}`;
