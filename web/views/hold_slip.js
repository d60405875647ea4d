// SPDX-License-Identifier: GPL-3.0-or-later
//
// The slip that begins a hold: while a unit's memory is being read or written,
// nothing at its output happens by itself.

import { put } from '../lib/api.js';
import { handField } from '../lib/hand.js';
import { element } from '../lib/page.js';
import { choice, field, slip } from './slip.js';

const USUAL = ['reading it', 'writing it', 'reading it before the part is swapped'];

// begun(item): the supply's item, held.
export function holdSlip(item, begun) {
  const why = field('What for, if you like', { name: 'hold-why', maxLength: 159 });
  const usual = choice('Usual reasons', USUAL, { changed: (text) => { why.input.value = text; } });
  const who = handField();
  who.input.id = 'field-hold-hand';
  const laid = slip({
    title: `Memory of ${item.unit ?? 'the unit'} is being read or written`, save: 'It is: hold', leave: 'Not now',
    body: [
      element('p', 'hint', item.control
        ? 'Until the hold is ended, wakedraw neither switches nor sets anything here by itself: not for a limit, '
          + 'not for a page that is gone, not when it stops. On waits. Only Off, or a hand at the supply, cuts the power.'
        : 'Every page says so until it is ended: whoever comes by leaves the supply\u2019s switch as it is.'),
      usual.row, why.row, who.row,
    ],
    fields: { why: why.input, hand: who.input },
    act: async () => begun(await put(`supplies/${encodeURIComponent(item.name)}/hold`, {
      on: true, ...(who.value ? { hand: who.value } : {}), ...(why.input.value.trim() ? { why: why.input.value.trim() } : {}),
    })),
  });
  laid.save.focus();
}
