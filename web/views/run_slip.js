// SPDX-License-Identifier: GPL-3.0-or-later
//
// The slip that begins a run: how many, off for how long, on for how long, when to
// stop, heated or cooled, and who switches.

import { Problem, post } from '../lib/api.js';
import { element, setHidden, setText } from '../lib/page.js';
import { rounded, wholeOf } from '../lib/runs.js';
import { CELL_CAUTION } from './intake.js';
import { held } from './held.js';
import { choice, field, slip } from './slip.js';

const MOST = 10000;
const NUMBERS = ['5', '10', '20', '50', '100'];
const OFFS = ['3', '10', '30'];
const TAGS = [null, 'heat', 'cold'];
const RESET_HINT = 'Off must be long enough for a reset: a module that still holds charge does not '
  + 'wake, it goes on. When in doubt, longer.';
const SWITCH_HINT = 'wakedraw will switch the output on without a hand on it. Leads the right way round, '
  + 'nobody at the board?';
const HAND_HINT = 'Switch it off and on by hand, at the supply or here; what wakes is counted.';

// watch_s(): how long one is watched, or null while that is not known; cell: one is on the board; begun(run): it
// goes on.
export function runSlip(item, watch_s, cell, begun) {
  const wanted = field('How many power-ups', { name: 'run-wanted', inputMode: 'numeric', value: '10', maxLength: 5 });
  const off = field('Off between them, s', { name: 'run-off', inputMode: 'decimal', value: '3', maxLength: 6 });
  const on = field('On for, s', { name: 'run-on', inputMode: 'decimal', maxLength: 8 });
  const fill = (into) => (text) => {
    if (text !== null) into.input.value = text;
    weigh();
  };
  const numbers = choice('Usual numbers', NUMBERS, { value: '10', changed: fill(wanted) });
  const offs = choice('Usual off-times', OFFS, { value: '3', label: (each) => `${each} s`, changed: fill(off) });
  const until = choice('On until', ['watched', 'longer'], {
    value: 'watched', changed: weigh, label: (each) => (each === 'watched' ? 'until it is watched' : 'longer'),
  });
  const stop = choice('Stop', ['bad', 'never'], {
    value: 'bad', label: (each) => (each === 'bad' ? 'on the first bad one' : 'never before the end'),
  });
  const tag = choice('Heated or cooled', TAGS, {
    value: item.tag ?? null, label: (each) => each ?? 'neither', changed: weigh,
  });
  const who = choice('Switched', ['wakedraw', 'hand'], {
    value: item.control ? 'wakedraw' : 'hand', label: (each) => (each === 'hand' ? 'by hand' : 'by wakedraw'),
    changed: weigh,
  });
  who.buttons[0].disabled = !item.control;
  const caution = element('p', 'caution', CELL_CAUTION);
  const whole = element('p', 'run-whole');
  const before = element('p', 'hint');

  const laid = slip({
    title: `Again and again: ${item.unit ?? item.module_type ?? item.name}`, save: 'Begin', leave: 'Not now', wide: true,
    body: [
      element('div', 'pairs', wanted.row, numbers.row), element('div', 'pairs', off.row, offs.row),
      element('p', 'hint', RESET_HINT), named('On', until.row), on.row, named('Stop', stop.row),
      element('div', 'pairs', named('Heated or cooled', tag.row), named('Switched', who.row)),
      caution, before, whole,
    ],
    fields: { wanted: wanted.input, off_s: off.input, on_s: on.input },
    done: () => clearInterval(again),
    act: async () => begun(await post(`supplies/${encodeURIComponent(item.name)}/run`, said())),
  });
  // Switching on by itself wants what switching on wants: a held touch.
  const hold = element('button', 'firm run-hold', 'Hold to begin');
  hold.type = 'button';
  laid.save.before(hold);
  held(hold, laid.run, () => laid.say('Hold it a moment: wakedraw will switch the output on.'));
  for (const [each, usual, values] of [[wanted, numbers, NUMBERS], [off, offs, OFFS]]) {
    each.input.addEventListener('input', () => usual.choose(values.find((one) => one === each.input.value) ?? null));
  }
  on.input.addEventListener('input', weigh);
  const again = setInterval(weigh, 500); // the reference may come after the slip
  weigh();

  function asked() {
    return {
      wanted: number(wanted.input), off_s: number(off.input),
      on_s: until.value === 'watched' ? null : number(on.input),
    };
  }

  function said() {
    const now = asked();
    if (!Number.isInteger(now.wanted) || now.wanted < 1 || now.wanted > MOST) {
      throw new Problem(`How many: a whole number from 1 to ${MOST}.`, 0, 'wanted');
    }
    if (!(now.off_s >= 0.5 && now.off_s <= 600)) throw new Problem('Off: 0.5 to 600 s.', 0, 'off_s');
    if (now.on_s !== null && !(now.on_s > 0 && now.on_s <= 86400)) {
      throw new Problem('On: up to 86400 s, which is a day.', 0, 'on_s');
    }
    return { ...now, stop_on: stop.value, tag: tag.value, switched: who.value };
  }

  function weigh() {
    const byUs = who.value === 'wakedraw';
    setHidden(on.row, until.value === 'watched');
    setHidden(caution, !(cell && tag.value === 'heat'));
    setHidden(laid.save, byUs);
    setHidden(hold, !byUs);
    setText(before, byUs ? SWITCH_HINT : HAND_HINT);
    const seconds = wholeOf(asked(), watch_s());
    setText(whole, seconds === null || !byUs ? '' : `About ${rounded(seconds)} in all.`);
  }
}

function number(input) {
  const text = input.value.trim().replace(',', '.');
  return text === '' ? NaN : Number(text);
}

function named(words, row) {
  return element('div', 'run-named', element('p', 'label', words), row);
}
