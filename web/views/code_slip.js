// SPDX-License-Identifier: GPL-3.0-or-later
//
// The slip that takes the access code, for what is not on a slip itself.

import { setAccessCode } from '../lib/api.js';
import { element } from '../lib/page.js';
import { field, slip } from './slip.js';

// why: what was refused.
export function codeSlip(why) {
  const code = field('Access code', { type: 'password', maxLength: 127 });
  slip({
    title: 'The access code is needed', save: 'Take it', leave: 'Not now',
    body: [element('p', '', why), code.row, element('p', 'hint', 'Then touch again what was refused.')],
    act: async () => setAccessCode(code.input.value),
  });
  code.input.focus();
}
