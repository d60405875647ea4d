// SPDX-License-Identifier: GPL-3.0-or-later
//
// How units of a type are switched on: voltage and limit, the gentle look before full
// power, how long the limit may last, what to mind. Folded away under the type's name.

import { Problem, post } from '../lib/api.js';
import { element } from '../lib/page.js';
import { amperes, volts } from '../lib/words.js';

const NUMBERS = [
  ['nominal_voltage_V', 'Voltage, V'], ['current_limit_A', 'Current limit, A'],
  ['look_limit_A', 'Look first at, A'], ['look_voltage_V', 'Look at, V'],
  ['limit_longest_s', 'Longest in current limit, s'],
];
const HINT = 'Before full power, wakedraw looks for a short or reversed feed: at the look\u2019s current, which is a '
  + 'tenth of the limit where nothing is said, and at its voltage, which is the full one. A type that minds '
  + 'a low voltage keeps that empty. Longer than so many seconds in current limit, and it is switched off; 3 '
  + 'where nothing is said. Without a voltage and a limit here, what is set at the supply is left as it is.';

// type: as the bench tells it; attempt(work); written(type, before): it is kept.
export function typeForm(type, attempt, written) {
  const inputs = new Map();
  const rows = NUMBERS.map(([key, words]) => {
    const input = element('input', '');
    Object.assign(input, { inputMode: 'decimal', maxLength: 12, autocomplete: 'off' });
    input.value = typeof type[key] === 'number' ? String(type[key]) : '';
    inputs.set(key, input);
    return element('label', 'teach-field', words, input);
  });
  const cautions = element('textarea', '');
  cautions.rows = 2;
  cautions.value = type.cautions.join('\n');
  const save = element('button', '', 'Write it down');
  save.type = 'submit';
  const form = element('form', 'type-form', element('p', 'quiet', HINT), element('div', 'teach-line', ...rows),
    element('label', 'teach-field type-cautions', 'To mind before and while it is on, one a line', cautions),
    element('div', 'teach-line', save));
  form.noValidate = true;
  form.addEventListener('submit', (event) => {
    event.preventDefault();
    attempt(async () => written(await post('module-types', read(type.name, inputs, cautions.value)), kept(type)));
  });
  const fold = element('details', 'folder-all', element('summary', '', `How it is switched on: ${summary(type)}`), form);
  return fold;
}

// Puts a type's fields back as they were.
export function putBack(before) {
  return post('module-types', before);
}

function kept(type) {
  return Object.fromEntries(['name', 'cautions', ...NUMBERS.map(([key]) => key)].map((key) => [key, type[key] ?? null]));
}

function read(name, inputs, cautions) {
  const said = { name, cautions: cautions.split('\n').map((line) => line.trim()).filter(Boolean) };
  for (const [key, words] of NUMBERS) said[key] = numberOf(inputs.get(key), words);
  if (said.look_limit_A !== null && said.current_limit_A !== null && said.look_limit_A > said.current_limit_A) {
    throw new Problem('The look\u2019s current is over the limit.');
  }
  if (said.look_voltage_V !== null && said.nominal_voltage_V !== null && said.look_voltage_V > said.nominal_voltage_V) {
    throw new Problem('The look\u2019s voltage is over the full one.');
  }
  return said;
}

function numberOf(input, words) {
  const text = input.value.trim().replace(',', '.');
  if (text === '') return null;
  const number = Number(text);
  if (!(number > 0)) {
    input.focus();
    throw new Problem(`${words}: a number over 0 is needed, or nothing.`);
  }
  return number;
}

function summary(type) {
  const parts = [type.nominal_voltage_V, type.current_limit_A].every((each) => typeof each === 'number')
    ? `${volts(type.nominal_voltage_V)}, limit ${amperes(type.current_limit_A)}` : 'voltage and limit are not said';
  return parts;
}
