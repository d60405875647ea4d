// SPDX-License-Identifier: GPL-3.0-or-later
//
// Moving a power-up that was kept with the wrong unit, order or stage. What it was
// kept with stays in its history; where a record rests on it, a correcting record
// is written.

import { Problem, get, put } from '../lib/api.js';
import { handField } from '../lib/hand.js';
import { element, rebuilt, setHidden } from '../lib/page.js';
import { choice, field, slip } from './slip.js';

// item: the power-up; stages: the shop's; moved(item, undo).
export function moveSlip(item, stages, moved) {
  const unit = field('Unit, serial number', { name: 'move_unit', maxLength: 127, value: item.unit ?? '' });
  const orders = element('div');
  const stage = field('Stage', { name: 'move_stage', maxLength: 63, value: item.stage ?? '' });
  const usual = choice('Usual stages', stages, { changed: (each) => { stage.input.value = each; } });
  const why = field('Why', { name: 'move_why', maxLength: 500 });
  const hand = handField();
  const correct = element('input');
  const correctRow = element('label', 'tick', correct,
    'A record rests on it: write a correcting record with the move');
  correct.type = 'checkbox';
  correctRow.hidden = true;
  let order = { value: item.work_order };
  let asked = 0;

  async function listOrders() {
    const serial = unit.input.value.trim();
    const mine = ++asked;
    const found = serial === '' ? [] : await ordersOf(serial);
    if (mine !== asked) return;
    rebuilt(orders, [serial, found.map((each) => each.id)], () => {
      const ids = [...found.map((each) => each.id), null];
      const kept = ids.includes(order.value) ? order.value : ids[0];
      order = choice('Work order', ids, {
        value: kept, label: (id) => (id === null ? 'no order' : orderWords(found.find((each) => each.id === id))),
      });
      return [element('p', 'label', 'Work order'), order.row];
    });
  }

  const laid = slip({
    title: `Move power-up ${item.id}`, save: 'Move it', leave: 'Leave it where it is',
    body: [unit.row, orders, stage.row, usual.row, why.row, hand.row, correctRow],
    fields: { unit: unit.input, stage: stage.input, why: why.input, hand: hand.input },
    act: async () => {
      await listOrders();
      const said = {
        unit: unit.input.value.trim() || null, work_order: order.value,
        stage: stage.input.value.trim() || null, why: why.input.value.trim(), hand: hand.value || null,
      };
      if (said.why === '') throw new Problem('Why it is moved is not said.', 0, 'why');
      if (correct.checked) said.correct_record = true;
      moved(await attach(item.id, said, () => setHidden(correctRow, false)),
        correct.checked ? null : () => put(`power-ups/${encodeURIComponent(item.id)}/attachment`, {
          unit: item.unit, work_order: item.work_order, stage: item.stage, why: 'taken back at once',
          hand: said.hand,
        }));
    },
  });
  unit.input.addEventListener('change', () => listOrders().catch((problem) => laid.say(problem.message)));
  listOrders().catch((problem) => laid.say(problem.message));
}

async function attach(id, said, recordExists) {
  try {
    return await put(`power-ups/${encodeURIComponent(id)}/attachment`, said);
  } catch (problem) {
    if (problem.status === 409 || problem.field === 'correct_record') recordExists();
    throw problem;
  }
}

async function ordersOf(serial) {
  const { items } = await get(`units?serial=${encodeURIComponent(serial)}&limit=1`);
  if (items.length === 0) throw new Problem(`No unit ${serial} is known.`, 0, 'unit');
  return (await get(`units/${encodeURIComponent(items[0].id)}`)).work_orders;
}

function orderWords(order) {
  return `${order.id}, ${order.closed_at ? 'closed' : 'open'}`;
}
