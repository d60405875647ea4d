// SPDX-License-Identifier: GPL-3.0-or-later
//
// Finding the registers of an undocumented Modbus supply: its link and what it can
// give; then step by step what to turn at its panel; then the profile. Which finding
// the page leads stands behind the #, so that a reload goes on with it.

import { Problem, get, post } from '../lib/api.js';
import { element, rebuilt, setHidden, setText } from '../lib/page.js';
import { spine } from './spine.js';

const BUSY_MS = 400;
const IDLE_MS = 5000; // the finding ends itself where nobody asks for five minutes

const at = (name) => document.getElementById(name);
const id = () => location.hash.slice(1);

const FIELDS = [
  { key: 'link', words: 'Link', wide: true, text: true, hint: 'modbus-rtu:/dev/ttyUSB0?baud=9600&address=1 or modbus-tcp:HOST:502?address=1' },
  { key: 'rated_voltage_V', words: 'The supply can give at most, V' },
  { key: 'rated_current_A', words: 'The supply can give at most, A' },
  { key: 'step_V', words: "Its panel's last digit, V", value: '0.01' },
  { key: 'most_voltage_V', words: 'May be asked for now at most, V' },
  { key: 'most_current_A', words: 'May be asked for now at most, A' },
  { key: 'step_A', words: "Its panel's last digit, A", value: '0.001' },
];

const LOADS = [
  ['resistor', 'a resistor that is known'],
  ['joined', 'the ends of the leads joined'],
  ['load', 'another load; the panel tells what it draws'],
  ['nothing', 'nothing: the current will not be found'],
];

const LEADS = {
  nothing: 'Leads off: nothing at their ends.',
  resistor: 'The resistor at the ends of the leads, nothing else.',
  joined: 'The ends of the leads joined, nothing else.',
  load: 'The load at the ends of the leads, nothing else.',
};

let timer = null;
let shown = null; // the finding as it was last told

spine(at('spine'), 'find');
layBegin();
window.addEventListener('hashchange', () => follow());
follow();

async function attempt(work) {
  setHidden(at('problem'), true);
  try {
    await work();
  } catch (problem) {
    if (!(problem instanceof Problem)) throw problem;
    setText(at('problem'), problem.message);
    setHidden(at('problem'), false);
    at('begin').querySelector(`[name="${problem.field}"]`)?.focus();
  }
}

// --- the beginning ---

function inputFor({ key, words, wide = false, text = false, value = '', hint = '' }) {
  const input = element('input', '');
  input.name = key;
  input.value = value;
  if (!text) input.inputMode = 'decimal';
  const label = element('label', `shop-field${wide ? ' wide' : ''}`, words, input);
  if (!hint) return label;
  const note = element('p', 'shop-hint', hint);
  note.id = `hint-${key}`;
  input.setAttribute('aria-describedby', note.id);
  return element('div', wide ? 'wide' : '', label, note);
}

function layBegin() {
  const load = element('select', '');
  load.name = 'load';
  load.append(...LOADS.map(([value, words]) => {
    const option = element('option', '', words);
    option.value = value;
    return option;
  }));
  const resistor = [inputFor({ key: 'load_ohm', words: 'Resistor, ohm' }),
    inputFor({ key: 'load_W', words: 'It may take, W' })];
  load.addEventListener('change', () => {
    for (const each of resistor) setHidden(each, load.value !== 'resistor');
  });
  const button = element('button', 'firm', 'Begin');
  const form = element('form', '', element('div', 'find-fields', ...FIELDS.map(inputFor),
    element('label', 'shop-field', 'Can be connected when asked for', load), ...resistor,
    inputFor({ key: 'from', words: 'First register looked at', value: '0' }),
    inputFor({ key: 'to', words: 'Last register looked at', value: '511' })),
  element('div', 'teach-line', button));
  button.type = 'submit';
  form.autocomplete = 'off';
  form.noValidate = true;
  form.addEventListener('submit', (event) => {
    event.preventDefault();
    attempt(() => begin(form, button));
  });
  at('begin').replaceChildren(form);
}

function numberOf(input, words) {
  const text = input.value.trim().replace(',', '.');
  if (text === '') return null;
  const number = Number(text);
  if (!Number.isFinite(number)) throw new Problem(`${words}: "${input.value}" is no number.`, 0, input.name);
  return number;
}

async function begin(form, button) {
  const body = {};
  for (const input of form.querySelectorAll('input, select')) {
    if (input.closest('[hidden]')) continue;
    const plain = input.name === 'link' || input.name === 'load';
    const value = plain ? input.value.trim() : numberOf(input, input.labels[0].firstChild.textContent);
    if (value !== null && value !== '') body[input.name] = value;
  }
  button.disabled = true;
  try {
    const made = await post('register-finds', body);
    location.hash = made.id;
  } finally {
    button.disabled = false;
  }
}

// --- what is going on ---

async function follow() {
  clearTimeout(timer);
  if (!id()) {
    shown = null;
    for (const part of ['now', 'found', 'profile']) setHidden(at(part), true);
    setHidden(at('begin'), false);
    return;
  }
  const mine = id();
  let wait_ms = IDLE_MS;
  try {
    const find = await get(`register-finds/${encodeURIComponent(mine)}`);
    if (mine !== id()) return;
    show(find);
    if (find.state === 'looking' || find.state === 'reading') wait_ms = BUSY_MS;
  } catch (problem) {
    if (!(problem instanceof Problem)) throw problem;
    if (mine !== id()) return;
    setText(at('problem'), problem.message);
    setHidden(at('problem'), false);
    if (problem.status === 404) {
      history.replaceState(null, '', location.pathname);
      follow();
      return;
    }
  }
  clearTimeout(timer);
  timer = setTimeout(follow, wait_ms);
}

function show(find) {
  shown = find;
  setHidden(at('begin'), true);
  setHidden(at('now'), false);
  setHidden(at('found'), !find.findings.some(({ words }) => words));
  setText(at('problem'), find.problem ?? '');
  setHidden(at('problem'), !find.problem);
  rebuilt(at('now'), [find.state, find.step, find.state === 'looking' ? find.looked_at : 0],
    () => nowPart(find));
  rebuilt(at('found'), find.findings, () => foundPart(find));
  setHidden(at('profile'), !find.enough);
  if (find.enough) rebuilt(at('profile'), find.id, profilePart);
}

function nowPart(find) {
  if (find.state === 'looking') return lookingPart(find);
  if (find.state === 'reading') return [element('h2', '', 'Reading all registers …'), endLine()];
  if (find.state === 'asking') return stepPart(find.step);
  if (find.state === 'done') {
    return [element('h2', '', find.enough ? 'Found.' : 'Nothing more to ask, and not enough was found.'),
      endLine('Begin anew')];
  }
  return [element('h2', '', 'Ended.'), endLine('Begin anew')];
}

function lookingPart({ looked_at, to_look_at, registers }) {
  const progress = element('progress', '');
  progress.max = Math.max(to_look_at, 1);
  progress.value = looked_at;
  progress.setAttribute('aria-label', 'Registers looked at');
  return [element('h2', '', 'Looking which registers there are'), progress,
    element('p', '', `${looked_at} of ${to_look_at} looked at; ${registers} answer.`), endLine()];
}

function endLine(words = 'End') {
  return element('div', 'teach-line', endButton(words));
}

function endButton(words) {
  const button = element('button', '', words);
  button.type = 'button';
  button.addEventListener('click', () => attempt(async () => {
    try {
      await post(`register-finds/${encodeURIComponent(id())}/end`, {});
    } finally {
      history.pushState(null, '', location.pathname);
      follow();
    }
  }));
  return button;
}

// --- a step ---

function stepPart(step) {
  const knobs = element('li', '', 'At the front panel: ', element('b', '', `${step.set_voltage_V} V`),
    ' and a limit of ', element('b', '', `${step.set_limit_A} A`));
  const output = step.output_on
    ? `Output on; the limit ${step.limited ? 'has to hold: the voltage falls below' : 'must not hold'}.`
    : 'The output stays off.';
  const lines = [element('li', '', LEADS[step.connected]), knobs, element('li', '', output)];
  const otherwise = [inputFor({ key: 'set_voltage_V', words: 'Set otherwise, V' }),
    inputFor({ key: 'set_limit_A', words: 'Limit otherwise, A' })];
  const shows = step.output_on ? [inputFor({ key: 'shown_voltage_V', words: 'The panel measures, V' }),
    inputFor({ key: 'shown_current_A', words: 'The panel measures, A' })] : [];
  const read = element('button', 'firm', 'It is so: read');
  const back = element('button', '', 'The step before again');
  const form = element('form', '', element('div', 'find-fields', ...otherwise, ...shows),
    element('div', 'teach-line', read, ...(step.number > 1 ? [back] : []), endButton('End')));
  read.type = 'submit';
  back.type = 'button';
  form.autocomplete = 'off';
  form.addEventListener('submit', (event) => {
    event.preventDefault();
    attempt(() => send({ step: step.number, ...numbersOf(form) }, read));
  });
  back.addEventListener('click', () => attempt(() => send({ back: true }, back)));
  return [element('h2', '', `Step ${step.number} of ${step.of}`),
    element('ol', 'find-do', ...(step.output_on ? lines : [element('li', '', 'Output off.'), ...lines])),
    element('p', '', 'Left empty: as asked for, and nothing told.'), form];
}

function numbersOf(form) {
  return Object.fromEntries([...form.querySelectorAll('input')]
    .map((input) => [input.name, numberOf(input, input.labels[0].firstChild.textContent)])
    .filter(([, number]) => number !== null));
}

async function send(body, button) {
  button.disabled = true;
  try {
    show(await post(`register-finds/${encodeURIComponent(id())}/steps`, body));
  } finally {
    button.disabled = false;
  }
  follow();
}

// --- what is known ---

function foundPart({ findings }) {
  const head = element('tr', '', ...['What', 'So far', 'Where'].map((words) => {
    const cell = element('th', '', words);
    cell.scope = 'col';
    return cell;
  }));
  const rows = findings.map(({ quantity, state, words }) => {
    const name = element('th', '', quantity);
    name.scope = 'row';
    return element('tr', '', name, element('td', '', state === 'none' ? 'none follows' : state),
      element('td', '', words || '-'));
  });
  return [element('h2', '', 'What follows the panel'),
    element('table', 'find-list', element('thead', '', head), element('tbody', '', ...rows))];
}

function profilePart() {
  const name = inputFor({ key: 'name', words: 'Name of the profile (a to z, figures, - and _)' });
  const write = element('button', 'firm', 'Write the profile');
  const outcome = element('div', '');
  const form = element('form', '', element('div', 'find-fields', name),
    element('div', 'teach-line', write));
  write.type = 'submit';
  form.autocomplete = 'off';
  form.addEventListener('submit', (event) => {
    event.preventDefault();
    attempt(async () => {
      const made = await post(`register-finds/${encodeURIComponent(shown.id)}/profile`,
        { name: form.querySelector('input').value.trim() });
      outcome.replaceChildren(...writtenPart(made));
    });
  });
  outcome.setAttribute('role', 'status');
  return [element('h2', '', 'Profile'), form, outcome];
}

function writtenPart({ path, link, text }) {
  const block = (words) => {
    const made = element('pre', 'find-text', words);
    made.tabIndex = 0; // it may be wider than the page
    return made;
  };
  return [element('p', '', `Written: ${path}. Fill in its accuracy from the data sheet: verdicts lean on it.`),
    block(text), element('p', '', 'For the configuration:'),
    block(`[supply supply-1]\nlink = ${link}\nprofile = ${path}\n`)];
}
