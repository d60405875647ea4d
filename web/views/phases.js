// SPDX-License-Identifier: GPL-3.0-or-later
//
// The phases as a small table, with what the type draws where it is known.

import { element, rebuilt, setHidden } from '../lib/page.js';
import { figure, figureRange, instant } from '../lib/words.js';

// rows: as phaseRows makes them; suspect: number of the phase the first reason
// points at, or null.
export function phasesView(places) {
  function show(rows, suspect) {
    setHidden(places.table, rows.length === 0);
    setHidden(places.empty, rows.length > 0);
    rebuilt(places.body, { rows, suspect }, () => rows.map((each) => row(each, suspect)));
  }
  return { show };
}

function row({ number, found, expected }, suspect) {
  const made = element('tr', '',
    element('th', '', number === null ? '' : String(number)),
    element('td', '', found ? instant(found.from_s) : ''),
    element('td', '', found ? instant(found.to_s) : ''),
    element('td', 'phase-draw', found ? figure(found.level_A) : ''),
    element('td', 'phase-expected', expected
      ? figureRange(expected.level_A.low, expected.level_A.high) : ''),
    element('td', '', found?.kind ?? expected?.kind ?? ''));
  made.firstChild.scope = 'row';
  if (!found) made.className = 'phase-awaited';
  if (suspect !== null && number === suspect) made.classList.add('phase-suspect');
  return made;
}
