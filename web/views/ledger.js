// SPDX-License-Identifier: GPL-3.0-or-later
//
// The shop's ledger of some days. The address holds the days and, behind a figure,
// what it counts: each figure leads to its power-ups or units.

import { Problem, get } from '../lib/api.js';
import { daysOn, isDay, today } from '../lib/days.js';
import { element, setHidden, setText } from '../lib/page.js';
import { figureParts } from './ledger_figures.js';
import { listParts } from './ledger_list.js';
import { spine } from './spine.js';

const DAYS = 14;
const USUAL = [['7 days', 7], ['14 days', 14], ['4 weeks', 28], ['A year', 365]];

const at = (id) => document.getElementById(id);
let asking = 0; // only the newest of two answers is laid out

spine(at('spine'), 'ledger');
at('period').addEventListener('submit', (event) => {
  event.preventDefault();
  location.hash = new URLSearchParams({ from: at('from').value, to: at('to').value });
});
window.addEventListener('hashchange', () => {
  show();
  scrollTo(0, 0);
});
show();

function said() {
  const parts = new URLSearchParams(location.hash.slice(1));
  if (!isDay(parts.get('to'))) parts.set('to', today());
  if (!isDay(parts.get('from'))) parts.set('from', daysOn(parts.get('to'), 1 - DAYS));
  return parts;
}

async function show() {
  const mine = ++asking;
  const parts = said();
  const days = { from: parts.get('from'), to: parts.get('to') };
  at('from').value = days.from;
  at('to').value = days.to;
  at('periods').replaceChildren(...USUAL.map(([words, count]) => usual(words, count, days)));
  setHidden(at('problem'), true);
  try {
    const ledger = await get(`ledger?${new URLSearchParams(days)}`);
    const laid = parts.has('show') ? await listParts(ledger, parts) : figureParts(ledger);
    if (mine === asking) at('ledger').replaceChildren(...laid);
  } catch (problem) {
    if (!(problem instanceof Problem)) throw problem;
    if (mine !== asking) return;
    setText(at('problem'), problem.message);
    setHidden(at('problem'), false);
  }
}

function usual(words, count, days) {
  const link = element('a', 'tool', words);
  const to = today();
  const from = daysOn(to, 1 - count);
  link.href = `#${new URLSearchParams({ from, to })}`;
  if (days.from === from && days.to === to) link.setAttribute('aria-current', 'true');
  return link;
}
