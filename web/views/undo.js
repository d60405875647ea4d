// SPDX-License-Identifier: GPL-3.0-or-later
//
// The strip that says what was just written and takes it back at a touch (or with
// Ctrl+Z), for a few seconds; never over the verdict.

import { Problem } from '../lib/api.js';
import { element } from '../lib/page.js';

const SHOWN_MS = 8000;

export function undoStrip(place) {
  let timer = null;
  let back = null;

  // undo: async, or null; stay: until it is put away by hand (a caution); tone:
  // "plain" or "trouble".
  function offer(text, undo = null, { stay = false, tone = 'plain' } = {}) {
    clearTimeout(timer);
    back = undo;
    const parts = [element('p', '', text)];
    if (undo) parts.push(button('Undo', 'undo-back', takeBack));
    if (stay || !undo) parts.push(button(stay ? 'Understood' : 'Put away', 'undo-away', clear));
    place.replaceChildren(...parts);
    place.dataset.tone = tone;
    place.hidden = false;
    if (!stay) timer = setTimeout(away, SHOWN_MS);
  }

  // Not from under a finger or the keyboard.
  function away() {
    if (place.matches(':hover, :focus-within')) timer = setTimeout(away, 1000);
    else clear();
  }

  function clear() {
    clearTimeout(timer);
    back = null;
    place.hidden = true;
  }

  async function takeBack() {
    const undo = back;
    clear();
    if (undo) await tried(undo, 'Not taken back');
  }

  // Runs a deed; what fails is said here.
  async function tried(deed, what = 'Not written') {
    try {
      return await deed();
    } catch (problem) {
      if (!(problem instanceof Problem)) throw problem;
      offer(`${what}: ${problem.message}`, null, { tone: 'trouble' });
      return undefined;
    }
  }

  document.addEventListener('keydown', (event) => {
    if (event.key !== 'z' || !(event.ctrlKey || event.metaKey) || back === null) return;
    if (event.target.matches('input, textarea, select') && event.target.value !== '') return;
    event.preventDefault();
    takeBack();
  });

  return { offer, clear, tried };
}

function button(words, className, act) {
  const made = element('button', className, words);
  made.type = 'button';
  made.addEventListener('click', act);
  return made;
}
