// SPDX-License-Identifier: GPL-3.0-or-later
//
// The bars under the spine of every page: that the bench is not heard, that an Off
// was not confirmed, that a unit's memory is being read or written.

import { Problem, put } from '../lib/api.js';
import { USE_THE_SWITCH, holdWords } from '../lib/outputs.js';
import { hand } from '../lib/hand.js';
import { element, rebuilt, setHidden, setText } from '../lib/page.js';
import { held } from './held.js';
import { failureLine, failureOf, watchOff } from './off.js';

// show(items, lost): the supplies as they are told; lost: the live stream is.
export function spineBars(place) {
  const troublePlace = element('div', 'spine-troubles');
  const holdPlace = element('div', 'spine-holds');
  let items = [];
  let lost = false;

  // Apart, so that a hold that is being ended stays under its finger.
  function lay() {
    const troubles = troublesOf(items, lost);
    const holds = items.map((item) => [item.name, holdWords(item)]).filter(([, words]) => words);
    rebuilt(troublePlace, troubles, () => troubles.map(failureLine));
    rebuilt(holdPlace, holds, () => holds.map(([name, words], i) => holdBar(name, words, i === 0)));
    setHidden(place, troubles.length + holds.length === 0);
  }

  place.append(troublePlace, holdPlace);
  watchOff(lay);
  return {
    show(told, isLost) {
      items = told;
      lost = isLost;
      lay();
    },
  };
}

// One line of each kind: what matters is the switch.
function troublesOf(items, lost) {
  const failed = items.map(({ name, off_wanted: wanted }) => ({ name, wanted, failure: failureOf(name) }))
    .filter(({ wanted, failure }) => wanted || failure);
  if (lost) {
    const names = failed.map(({ name }) => name).join(', ');
    return [{ text: `No word from the bench${names ? `, Off of ${names} was not carried out` : ''}. ${USE_THE_SWITCH}` }];
  }
  return failed.map(({ name, wanted, failure }) => (wanted
    ? { text: `${name}: Off was not confirmed. ${USE_THE_SWITCH}` } : { ...failure, text: `${name}: ${failure.text}` }));
}

// It ends by holding: by the way, a memory is soon spoilt.
// The rule is told once, however many are held.
function holdBar(name, { head, text, rule }, first) {
  const said = element('p', 'hold-text', first ? `${text} ${rule}` : text);
  const button = element('button', 'hold-end', 'Hold to end');
  button.type = 'button';
  button.setAttribute('aria-label', `Hold to end: the memory at ${name} is through`);
  held(button, () => end(name, said), () => setText(said, 'Hold it a moment longer, once the memory is through.'));
  const bar = element('section', 'hold-bar', element('div', 'hold-words', element('p', 'hold-head', head), said), button);
  bar.setAttribute('aria-label', `Memory at ${name}`);
  return bar;
}

async function end(name, said) {
  try {
    await put(`supplies/${encodeURIComponent(name)}/hold`, { on: false, ...(hand() ? { hand: hand() } : {}) });
  } catch (problem) {
    if (!(problem instanceof Problem)) throw problem;
    setText(said, `It goes on: ${problem.message}`);
  }
}
