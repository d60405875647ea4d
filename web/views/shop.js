// SPDX-License-Identifier: GPL-3.0-or-later
//
// What the shop has set: its name on the records, the stages of a repair, warranty,
// the bench check. One list a line where there are several.

import { Problem, get, put } from '../lib/api.js';
import { element, setHidden, setText } from '../lib/page.js';
import { spine } from './spine.js';

const at = (id) => document.getElementById(id);

// key, words, hint; lines: a text area of so many rows; of() and to() from the
// setting's value to the text and back.
const fields = [
  {
    key: 'name', words: "The shop's name, as it heads the record", of: (all) => all.shop.name,
    to: (text, all) => { all.shop.name = text; },
  },
  {
    key: 'lines', words: 'Under it: address, telephone, one a line', rows: 3,
    of: (all) => all.shop.lines.join('\n'), to: (text, all) => { all.shop.lines = linesOf(text); },
  },
  {
    key: 'stages', words: 'Stages of a repair, one a line', rows: 7,
    hint: 'New work orders begin with the first. What is powered up at "heat check" is never good. Orders that are open keep theirs.',
    of: (all) => all.stages.join('\n'), to: (text, all) => { all.stages = linesOf(text); },
  },
  {
    key: 'warranty_days', words: 'Warranty, days', number: true,
    of: (all) => String(all.warranty_days), to: (text, all) => { all.warranty_days = numberOf(text, 'Warranty'); },
  },
  {
    key: 'ask_after_min', words: 'Ask "still this unit?" after the output was off for, min', number: true,
    of: (all) => String(all.ask_after_min), to: (text, all) => { all.ask_after_min = numberOf(text, 'Ask after'); },
  },
  {
    key: 'page_gone_s', words: 'Off when the page that switched an output on is gone for, s', number: true,
    hint: '0: never. A tablet that goes to sleep counts as gone, too: for a soak that nobody watches, 0 or long '
      + 'enough. What was switched on at the supply, or is held for its memory, is left alone.',
    of: (all) => String(all.page_gone_s), to: (text, all) => { all.page_gone_s = numberOf(text, 'Page gone'); },
  },
  {
    key: 'check_every_h', words: 'Bench check due every, h', number: true,
    of: (all) => String(all.check_every_h), to: (text, all) => { all.check_every_h = numberOf(text, 'Bench check'); },
  },
  {
    key: 'resistors', words: 'Check resistors, one a line: ohm, tolerance in %', rows: 2,
    hint: '47 ohm at 12 V draws 0.255 A and takes 3.1 W: use one rated for 10 W.',
    of: (all) => all.resistors.map(({ ohm, tolerance_percent }) => `${ohm}, ${tolerance_percent}`).join('\n'),
    to: (text, all) => { all.resistors = linesOf(text).map(resistorOf); },
  },
  {
    key: 'check_standard', words: "Check standard's serial number, if you keep one",
    hint: 'A unit kept for nothing but checking the bench.',
    of: (all) => all.check_standard?.serial ?? '',
    to: (text, all) => { all.check_standard = text === '' ? null : { serial: text }; },
  },
];

const inputs = new Map();
let before = null; // as they were, for the way back

spine(at('spine'), 'shop');
at('shop').addEventListener('submit', (event) => {
  event.preventDefault();
  attempt(() => write(read(), 'Written down.'));
});
attempt(async () => lay(await get('settings')));

async function attempt(work) {
  setHidden(at('problem'), true);
  try {
    await work();
  } catch (problem) {
    if (!(problem instanceof Problem)) throw problem;
    setText(at('problem'), problem.message);
    setHidden(at('problem'), false);
    inputs.get(problem.field === 'shop' ? 'name' : problem.field)?.focus();
  }
}

function lay(settings) {
  before = settings;
  inputs.clear();
  const save = element('button', 'firm', 'Write it down');
  save.type = 'submit';
  at('shop').replaceChildren(...fields.map((field) => row(field, settings)),
    element('div', 'teach-line', save));
}

function row(field, settings) {
  const input = element(field.rows ? 'textarea' : 'input', '');
  if (field.rows) input.rows = field.rows;
  if (field.number) input.inputMode = 'decimal';
  input.value = field.of(settings);
  inputs.set(field.key, input);
  const label = element('label', 'shop-field', field.words, input);
  if (!field.hint) return label;
  const hint = element('p', 'shop-hint', field.hint);
  hint.id = `hint-${field.key}`;
  input.setAttribute('aria-describedby', hint.id);
  return element('div', '', label, hint);
}

function read() {
  const all = structuredClone(before);
  for (const { key, to } of fields) to(inputs.get(key).value.trim(), all);
  return all;
}

// What is not as it was; the old ones stay at hand for the way back.
async function write(all, words) {
  const changed = Object.fromEntries(Object.entries(all)
    .filter(([key, value]) => JSON.stringify(value) !== JSON.stringify(before[key])));
  if (Object.keys(changed).length === 0) {
    say('Nothing is different.');
    return;
  }
  const undo = Object.fromEntries(Object.keys(changed).map((key) => [key, before[key]]));
  lay(await put('settings', changed));
  say(words, words === 'As it was.' ? null : () => attempt(
    () => write({ ...before, ...undo }, 'As it was.'),
  ));
}

function say(words, back = null) {
  const parts = [words];
  if (back) {
    const button = element('button', '', 'Take it back');
    button.type = 'button';
    button.addEventListener('click', back);
    parts.push(' ', button);
  }
  at('done').replaceChildren(...parts);
  setHidden(at('done'), false);
}

function linesOf(text) {
  return text.split('\n').map((line) => line.trim()).filter((line) => line !== '');
}

function numberOf(text, words) {
  const number = Number(text.replace(',', '.'));
  if (text === '' || !Number.isFinite(number)) throw new Problem(`${words}: a number is needed.`);
  return number;
}

function resistorOf(line) {
  const [ohm, tolerance_percent] = line.split(/[,;\s]+/).map(Number);
  if (!(ohm > 0) || !(tolerance_percent > 0)) {
    throw new Problem(`Check resistors: "${line}" is not two numbers, as 47, 1.`);
  }
  return { ohm, tolerance_percent };
}
