// SPDX-License-Identifier: GPL-3.0-or-later
//
// A reference that is tried out: what it lets a unit draw, what it claims and what
// it cannot, and which past verdicts it would change.

import { element } from '../lib/page.js';
import { envelopeDrawing } from '../lib/signature_drawing.js';
import { ampereRange, counted, figureRange } from '../lib/words.js';
import { mark } from './mark.js';

export function trialPart(trial, publish) {
  const { reference } = trial;
  const button = element('button', 'firm', `Publish as version ${reference.version}`);
  button.type = 'button';
  button.addEventListener('click', publish);
  return [
    element('h2', 'teach-head', 'As it would be'),
    element('p', 'teach-final', `Final draw ${ampereRange(reference.final.low_A, reference.final.high_A)}, from ${taughtWords(reference)}.`),
    ...drawn(reference), ...phasesPart(reference),
    element('h2', 'teach-head', 'What it claims, and what it cannot'),
    element('ul', 'claims', ...trial.claims.map((text) => element('li', '', text))),
    element('h2', 'teach-head', 'Past verdicts it would change'),
    ...changesPart(trial),
    element('div', 'teach-line', button),
  ];
}

function taughtWords(reference) {
  const { units, power_ups } = reference.taught_by;
  return units === 0 ? 'a stated range alone'
    : `${counted(units, 'known-good unit')} and ${counted(power_ups, 'power-up')}`;
}

function drawn(reference) {
  const { envelope } = reference;
  if (!envelope || envelope.time_s.length < 2) return [];
  return [element('div', 'teach-envelope', envelopeDrawing({
    envelope, wide: 900, high: 260, id: 'trial',
    label: `Envelope from onset to ${envelope.time_s.at(-1)} s, at most ${Math.max(...envelope.high_A)} A`,
  }))];
}

function phasesPart(reference) {
  if (!reference.phases?.length) return [];
  const head = ['No.', 'kind', 'draws, A', 'lasts, s'].map((text) => {
    const cell = element('th', '', text);
    cell.scope = 'col';
    return cell;
  });
  const rows = reference.phases.map((phase, i) => element('tr', '',
    ...[String(i + 1), phase.kind, figureRange(phase.level_A.low, phase.level_A.high),
      phase.duration_s ? secondsRange(phase.duration_s) : 'to the end',
    ].map((text) => element('td', '', text))));
  return [element('table', 'teach-phases', element('thead', '', element('tr', '', ...head)),
    element('tbody', '', ...rows))];
}

const secondsRange = ({ low, high }) => `${low.toFixed(2)} to ${high.toFixed(2)}`;

function changesPart(trial) {
  const looked = `${counted(trial.judged, 'past power-up')} of this type judged again${trial.left_out ? ', the newest ones' : ''}: `;
  if (trial.changes.length === 0) return [element('p', '', `${looked}no verdict would change.`)];
  return [
    element('p', '', `${looked}${counted(trial.changes.length, 'verdict')} would change.`),
    element('ul', 'trial-changes', ...trial.changes.map((change) => {
      const unit = element('a', '', change.unit ?? `power-up ${change.power_up}`);
      if (change.unit) unit.href = `/folder.html#${encodeURIComponent(change.unit)}`;
      return element('li', '', unit, element('span', 'quiet', change.stage ?? ''),
        element('span', 'trial-pair', mark(change.was, 'small'), element('span', '', 'would be'),
          mark(change.would_be, 'small')), element('span', '', change.reason));
    })),
  ];
}
