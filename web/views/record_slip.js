// SPDX-License-Identifier: GPL-3.0-or-later
//
// The slip that writes a closed order's record.

import { Problem, post } from '../lib/api.js';
import { handField } from '../lib/hand.js';
import { field, slip } from './slip.js';

// written(record)
export function recordSlip(order, written) {
  const earlier = (order.records ?? []).length > 0;
  const whose = handField();
  const why = field('Why another one', { name: 'why', maxLength: 500 });
  slip({
    title: 'Write the record', body: [...(earlier ? [why.row] : []), whose.row],
    fields: { hand: whose.input, why: why.input }, save: 'Write it', leave: 'Not yet',
    act: async () => {
      if (whose.value === '') throw new Problem('Whose hand writes it is not said.', 0, 'hand');
      const said = { hand: whose.value, ...(earlier ? { why: why.input.value.trim() } : {}) };
      written(await post(`work-orders/${encodeURIComponent(order.id)}/record`, said));
    },
  });
  if (earlier) why.input.focus();
  else whose.input.focus();
}
