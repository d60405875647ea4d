// SPDX-License-Identifier: GPL-3.0-or-later
//
// Whose hand it was: the initials, remembered on this tablet.

import { element } from './page.js';

const KEY = 'bench.hand';

export function hand() {
  return localStorage.getItem(KEY) ?? '';
}

export function rememberHand(initials) {
  localStorage.setItem(KEY, initials.trim());
}

// A labelled field for it, filled in with the last one; what is read from it with
// .value is remembered. {row: the label to lay out, value}
export function handField(words = 'Hand (your initials)') {
  const input = element('input');
  input.id = 'field-hand';
  input.maxLength = 31;
  input.autocomplete = 'off';
  input.autocapitalize = 'characters';
  input.value = hand();
  return {
    row: element('label', '', words, input),
    input,
    get value() {
      rememberHand(input.value);
      return input.value.trim();
    },
  };
}
