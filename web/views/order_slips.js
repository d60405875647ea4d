// SPDX-License-Identifier: GPL-3.0-or-later
//
// The slips of a work order: a note, a meter reading, photos, its complaint, closing
// it. Each answers with what was written, for the undo strip.

import { Problem, post, put } from '../lib/api.js';
import { handField } from '../lib/hand.js';
import { element, setHidden } from '../lib/page.js';
import { figureOf } from '../lib/orders.js';
import { photoPicker, sendPhoto } from './intake.js';
import { choice, field, slip } from './slip.js';

const MEASURED = [
  ['core rail', 'V'], ['5 V rail', 'V'], ['3.3 V rail', 'V'], ['reset', 'V'], ['clock', 'Hz'],
  ['wake pin', 'V'], ['bus', 'ohm'], ['supply to ground', 'ohm'], ['ripple', 'V'], ['case', '\u00b0C'],
];
const UNITS = ['V', 'A', 'ohm', 'Hz', 's', '\u00b0C'];
export const OUTCOMES = ['repaired', 'nothing found', 'not repairable', 'returned as it was'];

const path = (order) => `work-orders/${encodeURIComponent(order.id)}`;

export function noteSlip(order, stage, written) {
  const text = field('Note', { name: 'note', rows: 4, maxLength: 2000 });
  const hand = handField();
  slip({
    title: `A note, ${stage}`, body: [text.row, hand.row], fields: { text: text.input, hand: hand.input },
    act: async () => {
      const said = text.input.value.trim();
      if (said === '') throw new Problem('The note is still empty.', 0, 'text');
      const note = await post(`${path(order)}/notes`, { stage, text: said, hand: hand.value || null });
      written('Note written', () => post(`notes/${encodeURIComponent(note.id)}/strike`, { why: 'taken back at once' }));
    },
  });
  text.input.focus();
}

export function readingSlip(order, stage, written) {
  const what = field('What', { name: 'what', maxLength: 127 });
  const value = field('Value', { name: 'value', inputMode: 'decimal', maxLength: 20 });
  const unit = choice('Unit', UNITS, { value: 'V' });
  const hand = handField();
  const usual = choice('Usual ones', MEASURED.map(([each]) => each), {
    changed: (each) => {
      what.input.value = each;
      unit.choose(MEASURED.find(([name]) => name === each)[1]);
      value.input.focus();
    },
  });
  slip({
    title: `A meter reading, ${stage}`,
    body: [usual.row, what.row, element('div', 'pairs', value.row, unit.row), hand.row],
    fields: { what: what.input, value: value.input, hand: hand.input },
    act: async () => {
      const said = {
        stage, before_power: false, what: what.input.value.trim(), value: figureOf(value.input.value),
        unit: unit.value, hand: hand.value || null,
      };
      if (said.what === '') throw new Problem('What was measured is not said.', 0, 'what');
      if (Number.isNaN(said.value)) {
        throw new Problem('The value is no number; write 4.7, 4.7k or 2M.', 0, 'value');
      }
      const kept = await post(`${path(order)}/meter-readings`, said);
      written(`${said.what}: ${value.input.value.trim()} ${said.unit}, written`,
        () => post(`meter-readings/${encodeURIComponent(kept.id)}/strike`, { why: 'taken back at once' }));
    },
  });
}

export function photoSlip(order, stage, written) {
  const left = 24 - (order.photos ?? []).length;
  const photos = photoPicker(Math.max(0, left));
  const sent = new Map();
  const laid = slip({
    title: `Photos, ${stage}`, body: [photos.row], save: 'Keep them',
    act: async () => {
      for (const file of photos.chosen) {
        if (!sent.has(file)) sent.set(file, await sendPhoto(path(order), stage, file));
      }
      written(`${sent.size === 1 ? 'A photo' : `${sent.size} photos`} kept`, async () => {
        for (const { id } of sent.values()) {
          await post(`photos/${encodeURIComponent(id)}/strike`, { why: 'taken back at once' });
        }
      });
    },
  });
  laid.save.disabled = true;
  photos.changed = () => { laid.save.disabled = photos.chosen.length === 0; };
  photos.input.focus();
}

// What was said at intake, to be written or put right.
export function orderSlip(order, written) {
  const before = Object.fromEntries(['complaint', 'customer_reference', 'condition', 'cells']
    .map((key) => [key, order[key] ?? null]));
  const parts = {
    complaint: field('Complaint', { rows: 3, maxLength: 2000, value: order.complaint ?? '' }),
    customer_reference: field('Customer\u2019s reference', { maxLength: 127, value: order.customer_reference ?? '' }),
    condition: field('Condition', { maxLength: 255, value: order.condition ?? '' }),
    cells: field('Cells on the board', { maxLength: 127, value: order.cells ?? '' }),
  };
  slip({
    title: `Order ${order.id}`, body: Object.values(parts).map(({ row }) => row),
    fields: Object.fromEntries(Object.entries(parts).map(([key, { input }]) => [key, input])),
    act: async () => {
      const said = Object.fromEntries(Object.entries(parts)
        .map(([key, { input }]) => [key, input.value.trim() || null]));
      await put(path(order), said);
      written('Written', () => put(path(order), before));
    },
  });
  parts.complaint.input.focus();
}

export function closeSlip(order, written) {
  const cause = field('Found cause', { name: 'found_cause', rows: 2, maxLength: 2000, value: order.found_cause ?? '' });
  const parts = field('Parts', { name: 'parts', maxLength: 500, value: order.parts ?? '' });
  const hand = handField();
  const evidence = element('p', 'quiet', 'Nothing found rests on the power-ups of this order: at least '
    + 'one that was decided.');
  evidence.hidden = true;
  const outcome = choice('Outcome', OUTCOMES, {
    changed: (value) => setHidden(evidence, value !== 'nothing found'),
  });
  outcome.row.classList.add('chips-large');
  slip({
    title: `Close order ${order.id}`, save: 'Close it', leave: 'Not yet',
    body: [outcome.row, evidence, cause.row, parts.row, hand.row],
    fields: { outcome: outcome.buttons[0], found_cause: cause.input, parts: parts.input, hand: hand.input },
    act: async () => {
      if (outcome.value === null) throw new Problem('The outcome is not said.', 0, 'outcome');
      if (hand.value === '') throw new Problem('Whose hand closes it is not said.', 0, 'hand');
      await post(`${path(order)}/close`, {
        outcome: outcome.value, found_cause: cause.input.value.trim() || null,
        parts: parts.input.value.trim() || null, hand: hand.value,
      });
      written(`Order ${order.id} closed: ${outcome.value}`,
        () => post(`${path(order)}/reopen`, { why: 'taken back at once' }));
    },
  });
  outcome.buttons[0].focus();
}
