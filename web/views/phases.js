// SPDX-License-Identifier: GPL-3.0-or-later
//
// The phases as a small table, with what the reference expects where it is known.

import { element, rebuilt, setHidden } from '../lib/page.js';
import { amperes, ampereRange, instant } from '../lib/words.js';

// phases: [{from_s, to_s, level_A, kind}]; expected: the reference's phases or
// null; suspect: index of the phase the first reason points at, or -1.
export function phasesView(places) {
  function show(phases, expected, suspect) {
    const rowCount = Math.max(phases.length, expected?.length ?? 0);
    setHidden(places.table, rowCount === 0);
    setHidden(places.empty, rowCount > 0);
    rebuilt(places.body, { phases, expected, suspect }, () => rows(phases, expected, suspect));
  }
  return { show };
}

function rows(phases, expected, suspect) {
  const count = Math.max(phases.length, expected?.length ?? 0);
  return Array.from({ length: count }, (_, i) => row(i, phases[i], expected?.[i], suspect));
}

function row(i, phase, expected, suspect) {
  const made = element('tr', '',
    element('th', '', String(i + 1)),
    element('td', '', phase ? instant(phase.from_s) : ''),
    element('td', '', phase ? instant(phase.to_s) : ''),
    element('td', '', phase ? amperes(phase.level_A) : '', element('span', 'phase-expected',
      expected?.level_A ? ampereRange(expected.level_A.low, expected.level_A.high) : '')),
    element('td', 'phase-kind', phase?.kind ?? expected?.kind ?? ''));
  made.firstChild.scope = 'row';
  if (i === suspect) made.className = 'phase-suspect';
  if (!phase) made.classList.add('phase-awaited');
  return made;
}
