// SPDX-License-Identifier: GPL-3.0-or-later
//
// Every output as it is, how its wire does, and the log of what was switched and set:
// when, by whom, why, and what came of it. The address may name one supply.

import { Problem, get } from '../lib/api.js';
import {
  byHandWords, doingWords, quietWords, settingWords, strongWords, whoWords,
} from '../lib/outputs.js';
import { element, rebuilt, setHidden, setText } from '../lib/page.js';
import { clockTime, day } from '../lib/words.js';
import { doing, spine } from './spine.js';
import { wireLines } from './supply_state.js';

const PIECE = 50;
const WHAT = {
  set: 'set', looked: 'looked at first', on: 'on', off: 'off', refused: 'not switched on',
  'off not confirmed': 'off not confirmed', 'on at the supply': 'on, seen', 'off at the supply': 'off, seen',
  'set at the supply': 'set, seen', held: 'memory begun', 'hold over': 'memory through', 'found on': 'found on',
};
const TROUBLES = ['refused', 'off not confirmed', 'found on'];

const at = (id) => document.getElementById(id);
const items = new Map(); // supplies, as they are told
let lines = []; // of the log, newest first
let next = null;
let newest = ''; // what the supplies last told of themselves
let asking = 0;

spine(at('spine'), 'outputs', { hears: { supply: heard } });
at('supply').addEventListener('change', () => { location.hash = encodeURIComponent(at('supply').value); });
at('earlier').addEventListener('click', () => attempt(() => fetchLog(next)));
window.addEventListener('hashchange', start);
start();

const chosen = () => decodeURIComponent(location.hash.slice(1));

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
    const told = await get('supplies');
    for (const item of told.items) items.set(item.name, item);
    layChoice();
    layNow();
    await fetchLog(null);
  });
}

// What happens at an output is in the log a little later, too.
function heard(item) {
  items.set(item.name, item);
  layNow();
  const told = JSON.stringify([...items.values()].map((each) => [each.output_at, each.output_last, each.hold]));
  if (told === newest) return;
  const first = newest === '';
  newest = told;
  if (!first) setTimeout(() => attempt(() => fetchLog(null)), 300);
}

// --- now ---

function layNow() {
  const told = [...items.values()].map((item) => [item, doing(item), wireLines(item)]);
  rebuilt(at('now'), told.map(([item, words, wire]) => [item.name, words, wire, wordsOf(item)]), () => told.map(one));
}

const wordsOf = (item) => [doingWords(item), strongWords(item), quietWords(item), byHandWords(item)];

function one([item, words, wire]) {
  const [busy, strong, quiet, byHand] = wordsOf(item);
  const name = element('a', 'outputs-name', item.name);
  name.href = `/#${encodeURIComponent(item.name)}`;
  const said = element('div', '', element('p', 'outputs-state', words));
  const head = busy && !item.off_wanted ? { text: busy, tone: 'plain' } : strong;
  if (head) {
    const made = element('p', 'outputs-strong', head.text);
    made.dataset.tone = head.tone;
    said.append(made);
  }
  const rest = [quiet, byHand, item.control ? '' : 'wakedraw may not switch it: control is off'].filter(Boolean);
  said.append(...rest.map((text) => element('p', 'outputs-quiet', text)));
  return element('div', 'outputs-one', name, said,
    element('ul', 'outputs-wire', ...wire.map((text) => element('li', '', text))));
}

// --- the log ---

function layChoice() {
  const names = [...items.keys()];
  rebuilt(at('supply'), names, () => [new Option('all of them', ''), ...names.map((name) => new Option(name, name))]);
  at('supply').value = items.has(chosen()) ? chosen() : '';
}

// before: an id; null: the newest.
async function fetchLog(before) {
  const mine = ++asking;
  const query = new URLSearchParams({ limit: String(PIECE) });
  if (at('supply').value) query.set('supply', at('supply').value);
  if (before !== null) query.set('before', before);
  const told = await get(`output-log?${query}`);
  if (mine !== asking) return;
  lines = before === null ? told.items : [...lines, ...told.items];
  next = told.next;
  setHidden(at('earlier'), next === null);
  rebuilt(at('log'), lines.map((line) => line.id), layLog);
}

function layLog() {
  if (lines.length === 0) {
    return [element('p', 'folder-empty', 'Nothing has been switched or set yet. What wakedraw does at an output, '
      + 'and what it sees a hand do at the supply, is written down here.')];
  }
  const made = [];
  let last = null;
  for (const line of lines) {
    const date = day(line.at);
    if (date !== last) made.push(element('h3', 'outputs-day', date[0].toUpperCase() + date.slice(1)));
    last = date;
    made.push(lineOf(line));
  }
  return made;
}

function lineOf(line) {
  const who = whoWords(line.what, line.who, line.hand).replace(/^ by /, '');
  const why = element('span', 'outputs-why', ...[line.why ?? ''].filter(Boolean));
  if (line.problem) why.append(...(line.why ? [' '] : []), element('span', 'outputs-problem', line.problem));
  const settings = settingWords(line);
  const made = element('div', 'outputs-line', element('span', 'outputs-at', clockTime(line.at)),
    element('span', 'outputs-supply', line.supply),
    element('span', '', element('span', 'outputs-what', WHAT[line.what] ?? line.what),
      ...(settings ? [element('br'), element('span', 'outputs-set', settings)] : [])),
    element('span', '', who), why);
  made.dataset.tone = TROUBLES.includes(line.what) ? 'trouble' : 'plain';
  return made;
}
