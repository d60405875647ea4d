// SPDX-License-Identifier: GPL-3.0-or-later
//
// All power-ups of a work order, line by line: each can be moved to where it belongs,
// or tagged as under heat or cold.

import { Problem, put } from '../lib/api.js';
import { element, setHidden } from '../lib/page.js';
import { amperes, clockTime, day } from '../lib/words.js';
import { mark } from './mark.js';
import { moveSlip } from './move_slip.js';
import { choice, slip } from './slip.js';

// written(words, undo): after a change. stages: the order's.
export function powerUpsPart(order, power_ups, written) {
  if (power_ups.length === 0) return [];
  const fold = element('details', 'folder-all', element('summary', '', `Power-ups of this order: ${power_ups.length}`));
  fold.append(element('ul', '', ...power_ups.map((item) => line(order, item, written))));
  return [fold];
}

function line(order, item, written) {
  const verdict = item.verdict?.verdict;
  const watched = item.state === 'open';
  const move = button('Move', `Move power-up ${item.id}`, () => moveSlip(item, order.stages, (moved, undo) => written(
    `Power-up ${moved.id} moved to ${moved.unit ?? 'nobody'}.`, undo,
  )));
  const tag = button('Tag', `Tag power-up ${item.id}`, () => tagSlip(item, written));
  move.disabled = watched;
  tag.disabled = watched;
  return element('li', 'folder-power-up', verdict ? mark(verdict, 'small') : element('span', 'quiet', watched ? 'being watched' : 'no verdict'),
    element('span', '', `${day(item.started_at)} ${clockTime(item.started_at, false)}`),
    element('span', '', [item.stage ?? 'no stage', item.tag].filter(Boolean).join(', ')),
    element('span', 'folder-draw', amperes(item.verdict?.final_draw_A)),
    element('span', 'folder-reason', item.verdict?.reasons?.[0]?.text ?? ''),
    element('span', 'folder-line-deeds', move, tag));
}

function button(words, label, act) {
  const made = element('button', '', words);
  made.type = 'button';
  made.setAttribute('aria-label', label);
  made.addEventListener('click', act);
  return made;
}

const TAGS = [null, 'heat', 'cold'];

function tagSlip(item, written) {
  const heat = element('p', 'caution', 'What comes up under heat is a diagnosis: its verdict becomes unsure, and stays so.');
  const correct = element('input');
  const correctRow = element('label', 'tick', correct, 'A record rests on it: write a correcting record with the tag');
  correct.type = 'checkbox';
  correctRow.hidden = true;
  const tellHeat = (tag) => setHidden(heat, !(tag === 'heat' && item.verdict?.verdict === 'good'));
  const chosen = choice('Tag', TAGS, {
    value: item.tag, label: (tag) => (tag === null ? 'neither' : `under ${tag}`), changed: tellHeat,
  });
  chosen.row.classList.add('chips-large');
  tellHeat(item.tag);
  const path = `power-ups/${encodeURIComponent(item.id)}/tag`;
  slip({
    title: `Power-up ${item.id} was under`, body: [chosen.row, heat, correctRow], save: 'Tag it',
    act: async () => {
      const before = item.tag;
      const lasts = chosen.value === 'heat' && item.verdict?.verdict === 'good';
      try {
        await put(path, { tag: chosen.value, ...(correct.checked ? { correct_record: true } : {}) });
      } catch (problem) {
        if (problem instanceof Problem && problem.status === 409) setHidden(correctRow, false);
        throw problem;
      }
      written(chosen.value === null ? `Power-up ${item.id} is no longer tagged.` : `Power-up ${item.id} is tagged ${chosen.value}.`,
        lasts || correct.checked ? null : () => put(path, { tag: before }));
    },
  });
  chosen.buttons[TAGS.indexOf(item.tag)].focus();
}
