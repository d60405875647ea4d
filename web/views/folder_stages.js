// SPDX-License-Identifier: GPL-3.0-or-later
//
// A work order's stages side by side: the newest signature of each over what the
// type may draw, on one scale, with the verdict of that power-up and of all of that
// stage together.

import { get } from '../lib/api.js';
import { element } from '../lib/page.js';
import { scaleOf, signatureDrawing } from '../lib/signature_drawing.js';
import { amperes, counted, instant } from '../lib/words.js';
import { mark, words } from './mark.js';

export async function stagesPart(order, trend, power_ups) {
  const stages = trend.stages.map((stage) => ({
    stage, items: power_ups.filter((item) => stageOf(item) === stage),
  })).filter(({ items }) => items.length > 0);
  if (stages.length === 0) {
    return [element('p', 'folder-empty', 'Not powered up on this order yet.')];
  }
  const details = await Promise.all(stages.map(({ items }) => get(`power-ups/${items[0].id}`)));
  const limits = limitsByPhase(trend.rows);
  const final = trend.rows.find((row) => row.of === 'final_draw_A')?.limits ?? null;
  const scale = scaleOf(details.map((each) => each.signature?.phases), [limits, [final]]);
  return [element('div', 'stages', ...stages.map(({ stage, items }, i) => stageCard(
    stage, items, details[i], trend.together[stage], limits, final, scale, i === stages.length - 1,
  )))];
}

function limitsByPhase(rows) {
  const limits = [];
  for (const row of rows) if (row.of === 'level_A') limits[row.phase] = row.limits;
  return Array.from(limits, (each) => each ?? null);
}

// A stated range limits the last phase alone; so does a cut with other phases.
function limitsOf(phases, limits, final) {
  return limits.length === phases.length ? limits : phases.map((_, i) => (i === phases.length - 1 ? final : null));
}

function stageCard(stage, items, newest, together, limits, final, scale, last) {
  const phases = newest.signature?.phases ?? [];
  const verdict = newest.verdict?.verdict ?? null;
  const card = element('article', 'stage', element('h2', '', stage));
  card.append(element('div', 'stage-verdict',
    verdict ? mark(verdict, 'small') : element('span', 'quiet', 'no verdict'),
    element('span', 'stage-draw', amperes(newest.verdict?.final_draw_A))));
  if (phases.length) {
    card.append(signatureDrawing({
      phases, limits: limitsOf(phases, limits, final), scale, trace: fromOnset(newest), wide: 340, high: 170, id: `stage-${newest.id}`,
      label: `${stage}: ${phases.map((phase) => `${amperes(phase.level_A)} from ${instant(phase.from_s)} s`).join(', ')}`,
    }));
  }
  const reason = newest.verdict?.reasons?.[0]?.text;
  if (reason) card.append(element('p', 'stage-reason', reason));
  card.append(element('p', 'quiet', allWords(items, together, last)));
  const link = element('a', 'stage-trace', `Trace of power-up ${newest.id}`);
  link.href = `/api/v1/power-ups/${newest.id}/trace.csv`;
  card.append(link);
  return card;
}

function fromOnset(item) {
  const onset_s = item.signature?.onset_s ?? item.onset_s;
  if (!item.trace || typeof onset_s !== 'number') return null;
  return { time_s: item.trace.time_s.map((time) => time - onset_s), current_A: item.trace.current_A };
}

// How often it may fail is said of the last stage, and where it did fail.
function allWords(items, together, last) {
  const all = counted(items.length, 'power-up');
  if (!together || items.length < 2) return all;
  const rate = last || together.bad > 0 ? together.failure_rate?.text ?? '' : '';
  const said = rate && `${rate.charAt(0).toUpperCase()}${rate.slice(1)}.`;
  return `${all}, together ${words[together.verdict].toLowerCase()}${together.intermittent ? ', intermittent' : ''}. ${said}`;
}

// As the trend names it: what was caught under heat or cold stands by itself.
function stageOf(item) {
  return `${item.stage ?? 'no stage'}${item.tag ? `, ${item.tag}` : ''}`;
}
