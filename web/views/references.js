// SPDX-License-Identifier: GPL-3.0-or-later
//
// A module type's references: choosing known-goods among its power-ups, trying a
// reference out, publishing it, going back to an older one.

import { Problem, get, post, put } from '../lib/api.js';
import { hand } from '../lib/hand.js';
import { element, setHidden, setText } from '../lib/page.js';
import { amperes, clockTime, counted, day } from '../lib/words.js';
import { mark } from './mark.js';
import { spine } from './spine.js';
import { trialPart } from './reference_trial.js';
import { putBack, typeForm } from './type_form.js';

const MOST_LISTED = 200;

const at = (id) => document.getElementById(id);

const chosen = new Set(); // ids of power-ups
const why = new Map(); // serial -> why it is trusted
let types = [];
let items = [];
let asking = 0;

spine(at('spine'), 'references');
at('type').addEventListener('change', () => {
  location.hash = encodeURIComponent(at('type').value);
});
at('import').addEventListener('change', importFile);
window.addEventListener('hashchange', show);
start();

function named() {
  return decodeURIComponent(location.hash.slice(1));
}

async function attempt(work) {
  setHidden(at('problem'), true);
  try {
    await work();
  } catch (problem) {
    if (!(problem instanceof Problem)) throw problem;
    setText(at('problem'), problem.message);
    setHidden(at('problem'), false);
    at('problem').scrollIntoView({ block: 'nearest' });
  }
}

function say(text) {
  setText(at('done'), text);
  setHidden(at('done'), text === '');
}

async function start() {
  await attempt(async () => {
    types = (await get('module-types?limit=500')).items;
    at('type').replaceChildren(...types.map((type) => {
      const option = element('option', '', type.reference_version
        ? `${type.name}, version ${type.reference_version}` : `${type.name}, no reference yet`);
      option.value = type.name;
      return option;
    }));
    if (types.length === 0) {
      at('choose').replaceChildren(element('p', 'folder-empty',
        'No module type yet. The first unit taken in on the bench page brings one; or put in a reference file.'));
    }
  });
  await show();
}

async function show() {
  const name = named() || types[0]?.name;
  if (!name) return;
  const mine = ++asking;
  at('type').value = name;
  chosen.clear();
  at('trial').replaceChildren();
  layTypeForm(name);
  await attempt(async () => {
    const query = encodeURIComponent(name);
    const [references, power_ups] = await Promise.all([
      get(`references?module_type=${query}&limit=50`),
      get(`power-ups?module_type=${query}&limit=${MOST_LISTED}`)]);
    if (mine !== asking) return;
    items = power_ups.items.filter((item) => item.state === 'complete' && item.unit);
    for (const item of items) if (item.known_good) why.set(item.unit, item.known_good.why);
    at('versions').replaceChildren(...versionsPart(references.items));
    at('choose').replaceChildren(...choosePart(name));
  });
}

// --- how it is switched on ---

function layTypeForm(name) {
  const type = types.find((each) => each.name === name);
  at('type-form').replaceChildren(...(type ? [typeForm(type, attempt, typeWritten)] : []));
}

function typeWritten(type, before) {
  types = types.map((each) => (each.name === type.name ? type : each));
  layTypeForm(type.name);
  say(`How ${type.name} is switched on is written down.`);
  const back = element('button', '', 'Take it back');
  back.type = 'button';
  back.addEventListener('click', () => attempt(async () => {
    const was = await putBack(before);
    types = types.map((each) => (each.name === was.name ? was : each));
    layTypeForm(was.name);
    say('As it was.');
  }));
  at('done').append(' ', back);
}

// --- versions ---

function versionsPart(references) {
  if (references.length === 0) {
    return [element('p', 'folder-empty',
      'No reference yet: every verdict of this type is unsure until there is one. Choose power-ups of units you trust below, or state the range of the final draw.')];
  }
  return [element('h2', 'teach-head', 'Versions'), element('ul', 'versions',
    ...references.map((reference, i) => versionLine(reference, i === 0)))];
}

function versionLine(reference, newest) {
  const taught = reference.range_only ? 'a stated range alone'
    : `${counted(reference.units, 'unit')}, ${counted(reference.power_ups, 'power-up')}`;
  const file = element('a', 'tool', 'As a file');
  file.href = `/api/v1/references/${reference.id}/file`;
  file.download = `reference-${reference.id}.json`;
  const line = element('li', '', element('b', '', `Version ${reference.version}`),
    element('span', '', `${day(reference.created_at)} ${clockTime(reference.created_at, false)}`),
    element('span', '', taught), file);
  if (newest) {
    line.append(element('span', 'version-now', 'judges now'));
  } else {
    const back = element('button', '', 'Go back to this one');
    back.type = 'button';
    back.addEventListener('click', () => attempt(async () => {
      const made = await post(`references/${reference.id}/restore`, {});
      await refresh(`Version ${reference.version} judges again, as version ${made.version}.`);
    }));
    line.append(back);
  }
  return line;
}

async function refresh(words) {
  await start();
  say(words);
}

// --- known-goods ---

function choosePart(name) {
  const range = rangeFields();
  const conditions = conditionFields();
  const tryIt = element('button', 'firm', 'Try it');
  tryIt.type = 'button';
  tryIt.addEventListener('click', () => attempt(() => tryOut(name, range, conditions)));
  const units = unitsOf(items);
  return [
    element('h2', 'teach-head', 'Known-goods'),
    element('p', 'quiet', units.length
      ? 'Choose power-ups of units you know to be good, and say why you trust each unit. Three or four units of a few power-ups each make a firm reference; more power-ups of one unit do not.'
      : 'No power-up of this type has completed its watch yet.'),
    element('div', 'units', ...units.map(unitPart)),
    element('h2', 'teach-head', 'Stated range of the final draw, if you have one'),
    element('div', 'teach-line', range.low.row, range.high.row),
    element('h2', 'teach-head', 'Holds for'),
    element('div', 'teach-line', conditions.revision.row, conditions.set_up.row),
    element('div', 'teach-line', tryIt),
  ];
}

function unitsOf(list) {
  const units = new Map();
  for (const item of list) units.set(item.unit, [...(units.get(item.unit) ?? []), item]);
  return [...units];
}

function unitPart([serial, list]) {
  const box = element('fieldset', 'unit', element('legend', '', serial));
  const reason = field('Why it is trusted', why.get(serial) ?? '');
  reason.input.addEventListener('input', () => why.set(serial, reason.input.value.trim()));
  const lines = list.map((item) => powerUpLine(item, () => {
    setHidden(reason.row, !list.some((each) => chosen.has(each.id)));
  }));
  reason.row.hidden = true;
  box.append(...lines, reason.row);
  return box;
}

function powerUpLine(item, changed) {
  const box = element('input', '');
  box.type = 'checkbox';
  box.addEventListener('change', () => {
    if (box.checked) chosen.add(item.id);
    else chosen.delete(item.id);
    changed();
  });
  const verdict = item.verdict?.verdict;
  return element('label', 'unit-line', box,
    element('span', 'unit-when', `${day(item.started_at)} ${clockTime(item.started_at, false)}`),
    element('span', 'unit-stage', item.stage ?? 'no stage'),
    element('span', 'unit-draw', amperes(item.verdict?.final_draw_A)),
    verdict ? mark(verdict, 'small') : element('span', 'quiet', 'no verdict'));
}

function field(words, value = '', more = {}) {
  const input = element('input', '');
  Object.assign(input, { value, maxLength: 127, autocomplete: 'off', ...more });
  return { row: element('label', 'teach-field', words, input), input };
}

function rangeFields() {
  return {
    low: field('from, A', '', { inputMode: 'decimal' }),
    high: field('to, A', '', { inputMode: 'decimal' }),
  };
}

function conditionFields() {
  const newest = items[0] ?? {};
  return {
    revision: field('Revision', newest.revision ?? ''), set_up: field('Set-up', newest.set_up ?? ''),
  };
}

function rangeOf(range) {
  const texts = [range.low.input.value.trim(), range.high.input.value.trim()];
  if (texts.every((text) => text === '')) return null;
  const [low_A, high_A] = texts.map((text) => Number(text.replace(',', '.')));
  if (texts.includes('') || !(low_A > 0 && low_A < high_A)) {
    throw new Problem('The stated range needs two numbers in amperes, the lower one first.');
  }
  return { low_A, high_A };
}

// The feeds that this type is powered by, as it states them.
function feedsOf(name) {
  const feeds = types.find((type) => type.name === name)?.feeds ?? [];
  return feeds.every((feed) => typeof feed === 'string') ? feeds : [];
}

function checkTrust() {
  const silent = unitsOf(items.filter((item) => chosen.has(item.id)))
    .map(([serial]) => serial).filter((serial) => !why.get(serial));
  if (silent.length) throw new Problem(`Say why ${silent.join(', ')} ${silent.length === 1 ? 'is' : 'are'} trusted.`);
}

// --- trying out and publishing ---

async function tryOut(name, range, conditions) {
  say('');
  checkTrust();
  const text = (each) => each.input.value.trim() || null;
  const trial = await post('reference-trials', {
    module_type: name, power_ups: [...chosen], range: rangeOf(range),
    revision: text(conditions.revision), set_up: text(conditions.set_up), feeds: feedsOf(name),
  });
  const taught = [...chosen];
  at('trial').replaceChildren(...trialPart(trial, () => attempt(() => publish(trial, taught))));
  at('trial').scrollIntoView({ block: 'start' });
}

async function publish(trial, taught) {
  const made = await post('references', withReasons(trial.reference));
  for (const id of taught) {
    const { unit } = items.find((item) => item.id === id);
    await put(`power-ups/${id}/known-good`, { why: why.get(unit), hand: hand() || null });
  }
  await refresh(`Version ${made.version} judges from now on. What was judged before stays as it was.`);
  scrollTo(0, 0);
}

// What was said now, not only what was kept with the power-ups before.
function withReasons(reference) {
  for (const good of reference.taught_by.known_goods ?? []) {
    if (why.get(good.unit)) good.trusted_because = why.get(good.unit);
  }
  return reference;
}

async function importFile() {
  const [file] = at('import').files;
  at('import').value = '';
  if (!file) return;
  await attempt(async () => {
    let reference;
    try {
      reference = JSON.parse(await file.text());
    } catch (cause) {
      throw new Problem(`${file.name}: not JSON (${cause.message}).`);
    }
    const made = await post('references', reference);
    location.hash = encodeURIComponent(made.module_type);
    await refresh(`${file.name} is in: version ${made.version} of ${made.module_type} judges from now on.`);
  });
}
