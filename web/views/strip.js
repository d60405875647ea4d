// SPDX-License-Identifier: GPL-3.0-or-later
//
// The last power-ups as a row of counterfoils; touching one lays its copy on
// the bench.

import { element, rebuilt } from '../lib/page.js';
import { amperes, clockTime, day } from '../lib/words.js';
import { mark } from './mark.js';

// chosen: the id laid out as a copy, or null; current: the id that is on, or null.
export function stripView(place, choose) {
  function show(items, chosen, current) {
    const from = items.map((item) => [item.id, item.verdict?.verdict ?? null, item.unit,
      item.verdict?.final_draw_A ?? null, item.id === chosen, item.id === current]);
    rebuilt(place, from, () => (items.length > 0
      ? items.map((item) => counterfoil(item, item.id === chosen, item.id === current))
      : [element('p', 'strip-empty', 'None yet. Each power-up leaves a counterfoil here.')]));
  }

  function counterfoil(item, isChosen, isCurrent) {
    const verdict = item.verdict?.verdict ?? null;
    const made = element('button', 'counterfoil',
      element('span', 'spoken', 'Power-up of '),
      element('span', 'counterfoil-time', isCurrent ? 'on now' : when(item)),
      verdict ? mark(verdict, 'small')
        : element('span', 'counterfoil-none', isCurrent ? 'watching' : 'no verdict'),
      element('span', 'counterfoil-unit', item.unit ?? 'unit not said'),
      element('span', 'counterfoil-draw', amperes(item.verdict?.final_draw_A)));
    made.type = 'button';
    made.dataset.powerUp = item.id;
    made.setAttribute('aria-pressed', String(isChosen));
    made.addEventListener('click', () => choose(item.id));
    return made;
  }

  return { show };
}

function when(item) {
  const date = day(item.started_at);
  return date === 'today' ? clockTime(item.started_at, false) : date;
}
