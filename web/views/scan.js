// SPDX-License-Identifier: GPL-3.0-or-later
//
// The one field for serial numbers. A scanner types and sends Enter: what is typed
// anywhere but in another field lands here.

import { setText } from '../lib/page.js';

// scanned(serial): after Enter.
export function scanField({ form, input, note }, scanned) {
  form.addEventListener('submit', (event) => {
    event.preventDefault();
    const serial = input.value.trim();
    if (serial === '') return;
    input.value = '';
    input.blur();
    scanned(serial);
  });
  document.addEventListener('keydown', (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.altKey || event.metaKey) return;
    if (event.key.length !== 1 || event.key === ' ' || event.isComposing) return;
    if (document.querySelector('dialog[open]')) return;
    if (event.target.closest('input, textarea, select, [contenteditable]')) return;
    input.focus({ preventScroll: true });
    input.setSelectionRange(input.value.length, input.value.length);
  }, true);

  return { show: (text) => setText(note, text) };
}
