// SPDX-License-Identifier: GPL-3.0-or-later
//
// The daily check of a supply and its leads, led step by step: nothing connected,
// known resistors, the check standard; then what the charts say of all days.

import { Problem, get, post } from '../lib/api.js';
import { handField } from '../lib/hand.js';
import { element, setHidden, setText } from '../lib/page.js';
import { amperes, clockTime, day, volts } from '../lib/words.js';
import { chartsPart } from './check_charts.js';
import { spine } from './spine.js';

const READINGS = 20;
const PATIENCE_MS = 15000;

const at = (id) => document.getElementById(id);
const taking = new Set(); // who waits for readings: (reading) => void

let settings = { resistors: [], check_standard: null };
let taken = null; // {zero, resistors: [], check_standard}
let asking = 0;

spine(at('spine'), 'check', { hears: { reading: takeReading } });
at('supply').addEventListener('change', () => {
  location.hash = encodeURIComponent(at('supply').value);
});
window.addEventListener('hashchange', show);
start();

function takeReading(event) {
  if (event.supply !== chosen()) return;
  event.current_A.forEach((current_A, i) => {
    if (current_A === null || event.voltage_V[i] === null) return;
    for (const take of taking) take({ current_A, voltage_V: event.voltage_V[i] });
  });
}

const chosen = () => decodeURIComponent(location.hash.slice(1)) || at('supply').value;

async function attempt(work) {
  setHidden(at('problem'), true);
  try {
    await work();
  } catch (problem) {
    if (!(problem instanceof Problem)) throw problem;
    setText(at('problem'), problem.message);
    setHidden(at('problem'), false);
  }
}

async function start() {
  await attempt(async () => {
    const [supplies, shop] = await Promise.all([get('supplies'), get('settings')]);
    settings = shop;
    at('supply').replaceChildren(...supplies.items.map((item) => element('option', '', item.name)));
    if (supplies.items.length === 0) {
      throw new Problem('No supply is configured: name one in the configuration file.');
    }
  });
  await show();
}

async function show() {
  const name = chosen();
  if (!name) return;
  const mine = ++asking;
  at('supply').value = name;
  taken = { zero: null, resistors: [], check_standard: null };
  at('outcome').replaceChildren();
  at('steps').replaceChildren(...steps());
  await attempt(async () => {
    const checks = await get(`supplies/${encodeURIComponent(name)}/checks`);
    if (mine === asking) showChecks(checks);
  });
}

const stateWords = {
  never: 'never checked: verdicts of this supply say "bench unverified"',
  verified: 'verified',
  overdue: 'overdue: verdicts of this supply say "bench unverified"',
  failed: 'failed: verdicts of this supply say "bench unverified"',
};

function showChecks(checks) {
  const due = checks.state === 'verified' && checks.due_at
    ? `, due again ${day(checks.due_at)} ${clockTime(checks.due_at, false)}` : '';
  setText(at('state'), `${stateWords[checks.state]}${due}`);
  at('state').dataset.state = checks.state;
  const newest = checks.items.at(-1);
  at('charts').replaceChildren(
    ...(newest && !newest.passed ? failings(newest).map((text) => element('p', 'check-finding', text)) : []),
    ...chartsPart(checks),
  );
}

// --- steps ---

function steps() {
  const list = [zeroStep(), ...settings.resistors.map(resistorStep), standardStep(), lastStep()];
  return list.map((step) => element('li', 'step', ...step));
}

// A button that waits for so many readings of the chosen supply and hands them on.
function takeButton(words, use) {
  const button = element('button', '', words);
  const result = element('p', 'step-result');
  button.type = 'button';
  result.setAttribute('role', 'status');
  button.addEventListener('click', () => attempt(async () => {
    button.disabled = true;
    setText(result, 'Reading …');
    try {
      setText(result, use(await readings()));
      setText(button, 'Take it again');
    } catch (problem) {
      setText(result, '');
      throw problem;
    } finally {
      button.disabled = false;
    }
  }));
  return [button, result];
}

function readings() {
  const list = [];
  return new Promise((resolve, reject) => {
    const end = setTimeout(() => {
      taking.delete(take);
      reject(new Problem(`${chosen()} gave ${list.length} of ${READINGS} readings in ${PATIENCE_MS / 1000} s: does it answer?`));
    }, PATIENCE_MS);
    function take(reading) {
      list.push(reading);
      if (list.length < READINGS) return;
      clearTimeout(end);
      taking.delete(take);
      resolve(list);
    }
    taking.add(take);
  });
}

const mean = (list) => list.reduce((sum, value) => sum + value, 0) / list.length;

function zeroStep() {
  return [
    element('h2', '', 'Zero'),
    element('p', '', 'Leads on the supply, nothing connected at their end. Output on.'),
    ...takeButton('Take the zero', (list) => {
      taken.zero = { current_A: list.map((each) => each.current_A) };
      return `reads ${amperes(mean(taken.zero.current_A))}`;
    }),
  ];
}

function resistorStep({ ohm, tolerance_percent }, index) {
  const watts = (12 * 12) / ohm;
  return [
    element('h2', '', `Resistor of ${ohm} ohm`),
    element('p', '', `Set 12 V and a limit a little above ${amperes(12 / ohm)}. It takes ${watts.toFixed(1)} W and gets hot: use one rated for three times that, and do not touch it.`),
    ...takeButton('Take this resistor', (list) => {
      const current_A = list.map((each) => each.current_A);
      const voltage_V = list.map((each) => each.voltage_V);
      taken.resistors[index] = { ohm, tolerance_percent, current_A, voltage_V };
      return `reads ${amperes(mean(current_A))} at ${volts(mean(voltage_V))}; ${amperes(mean(voltage_V) / ohm)} by Ohm's law`;
    }),
  ];
}

function standardStep() {
  const serial = settings.check_standard?.serial;
  if (!serial) {
    return [element('h2', '', 'Check standard'), element('p', 'quiet',
      'None is named in the settings. A unit kept for nothing but this tells a change of the bench from a change of the units.')];
  }
  return [
    element('h2', '', `Check standard ${serial}`),
    element('p', '', 'Put it on this supply, scan it on the bench page, power it up and wait for its verdict.'),
    ...powerUpButton(serial),
  ];
}

function powerUpButton(serial) {
  const button = element('button', '', 'Take its newest power-up');
  const result = element('p', 'step-result');
  button.type = 'button';
  result.setAttribute('role', 'status');
  button.addEventListener('click', () => attempt(async () => {
    const query = `unit=${encodeURIComponent(serial)}&supply=${encodeURIComponent(chosen())}`;
    const { items } = await get(`power-ups?${query}&limit=1`);
    const newest = items[0];
    if (!newest || typeof newest.verdict?.final_draw_A !== 'number') {
      throw new Problem(`${serial} has no power-up with a final draw on ${chosen()} yet.`);
    }
    taken.check_standard = { power_up: newest.id };
    setText(result, `${day(newest.started_at)} ${clockTime(newest.started_at)}: ${amperes(newest.verdict.final_draw_A)}`);
  }));
  return [button, result];
}

function lastStep() {
  const hand = handField();
  const save = element('button', 'firm', 'Write it down');
  save.type = 'button';
  save.addEventListener('click', () => attempt(() => write(hand, save)));
  return [element('h2', '', 'Done'), hand.row, save];
}

async function write(hand, save) {
  if (!taken.zero) throw new Problem('Take the zero first.');
  const missing = settings.resistors.findIndex((_, i) => !taken.resistors[i]);
  if (missing >= 0) throw new Problem(`Take the resistor of ${settings.resistors[missing].ohm} ohm, too.`);
  const name = chosen();
  save.disabled = true;
  try {
    const made = await post(`supplies/${encodeURIComponent(name)}/checks`, {
      ...taken, hand: hand.value || null,
    });
    const checks = await get(`supplies/${encodeURIComponent(name)}/checks`);
    at('steps').replaceChildren(...steps());
    taken = { zero: null, resistors: [], check_standard: null };
    at('outcome').replaceChildren(...outcome(made));
    showChecks(checks);
  } finally {
    save.disabled = false;
  }
}

// What of a check did not pass, a sentence each.
function failings(made) {
  const lines = [];
  if (!made.zero_passed) {
    lines.push(`Zero: ${amperes(made.zero_A)}, where ${amperes(made.zero_allowed_A)} either way is allowed.`);
  }
  for (const each of made.resistors.filter(({ passed }) => !passed)) {
    lines.push(`${each.ohm} ohm: ${amperes(each.current_A)}, where ${amperes(each.expected_A)} give or take ${amperes(each.allowed_A)} is expected.`);
  }
  return lines;
}

const outcome = (made) => [element('h2', '', made.passed ? 'Passed and kept.' : 'Failed, and kept.')];
