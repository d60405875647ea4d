// SPDX-License-Identifier: GPL-3.0-or-later
//
// A record as one printed page. Everything on it comes from the record itself, so
// that it says the same years later.

import { Problem, get } from '../lib/api.js';
import { element } from '../lib/page.js';
import { scaleOf, signatureDrawing } from '../lib/signature_drawing.js';
import { amperes, ampereRange, clockTime, counted, day, instant } from '../lib/words.js';
import { mark } from './mark.js';
import { spine } from './spine.js';

const MOST_READINGS = 6;
const MOST_NOTES = 4;
const MOST_STAGES = 8;
const USUAL_ZOOM = 0.82;
const LETTER_HIGH_PX = 970; // inside its margins, a little kept back

const place = document.getElementById('record');
const id = decodeURIComponent(location.hash.slice(1));

spine(document.getElementById('spine'), 'folders');
show();
window.addEventListener('hashchange', () => location.reload());
document.getElementById('tool-print').addEventListener('click', () => window.print());

async function show() {
  try {
    if (!/^\d+$/.test(id)) throw new Problem('The address names no record: record.html#NUMBER.');
    const record = await get(`records/${id}`);
    document.title = `Record ${record.number}, ${record.unit}`;
    const folder = document.getElementById('tool-folder');
    folder.href = `/folder.html#${encodeURIComponent(record.unit)}`;
    folder.textContent = `Folder of ${record.unit}`;
    document.getElementById('tool-json').href = `/api/v1/records/${id}/record.json`;
    document.getElementById('tool-csv').href = `/api/v1/records/${id}/record.csv`;
    place.replaceChildren(...lay(record));
    fit();
  } catch (problem) {
    if (!(problem instanceof Problem)) throw problem;
    place.replaceChildren(element('h1', 'spoken', 'Repair record'), element('p', 'record-problem', problem.message));
  }
}

// One sheet, however much there is: where the usual print is too large, smaller. Laid
// out as it is printed, long texts cut short; on the screen they stay whole.
function fit() {
  place.classList.add('record-fitting');
  const zoom = Math.min(USUAL_ZOOM, LETTER_HIGH_PX / place.scrollHeight);
  place.classList.remove('record-fitting');
  place.style.setProperty('--print-zoom', zoom.toFixed(3));
}

function lay(record) {
  const { content } = record;
  return [
    head(record), ...warnings(record), unitPart(content), beforeAndAfter(content),
    stagesPart(content), ...supportsPart(content), lists(content), small(content), foot(record),
  ];
}

const when = (at) => (at ? `${day(at, 0)} ${clockTime(at, false)}` : '–');

function head(record) {
  return element('header', 'record-head',
    element('h1', '', 'Repair record'),
    element('p', 'record-bench', shopWords(record.content)),
    element('p', 'record-number', 'No. ', element('b', '', String(record.number)),
      `, ${when(record.at)}`));
}

// The shop as it names itself, else the bench.
function shopWords({ shop, bench }) {
  return [shop?.name || bench || 'Bench', ...(shop?.lines ?? [])].join(', ');
}

function warnings(record) {
  const { content } = record;
  const lines = [];
  if (content.simulated) lines.push('Simulated: no module, no supply. For showing only.');
  if (content.corrects) {
    lines.push(`Takes the place of record ${content.corrects.number}: ${content.corrects.why}`);
  }
  if (record.corrected_by) lines.push('A later record has taken the place of this one.');
  const bench = content.bench_check?.state;
  if (bench && bench !== 'verified') {
    lines.push(`Bench unverified: its check is ${bench === 'never' ? 'not on file' : bench}.`);
  }
  return lines.map((text) => element('p', 'record-warning', text));
}

function field(label, value, wide = false) {
  return element('div', wide ? 'record-field record-wide' : 'record-field',
    element('dt', '', label), element('dd', '', value || '–'));
}

function unitPart({ unit, work_order: order }) {
  const warranty = order.warranty_days ? counted(order.warranty_days, 'day') : 'none stated';
  return element('dl', 'record-fields',
    field('Unit, serial number', unit.serial), field('Module type', unit.module_type),
    field('Revision', unit.revision), field('Set-up', unit.set_up),
    field('Work order', order.id), field("Customer's reference", order.customer_reference),
    field('Came in', when(order.created_at)), field('Closed', when(order.closed_at)),
    field('Complaint', order.complaint, true), field('Condition', order.condition, true),
    field('Found', order.found_cause, true), field('Parts', order.parts, true),
    field('Outcome', order.outcome), field('By', order.hand), field('Warranty', warranty),
    field('Cells on the board', order.cells));
}

function beforeAndAfter(content) {
  const phaseLimits = limitsByPhase(content.rows);
  const final = (content.rows ?? []).find((row) => row.of === 'final_draw_A')?.limits ?? null;
  const shown = [content.before, content.after];
  const lists = shown.map((each) => each?.signature?.phases ?? []);
  const scale = scaleOf(lists, [phaseLimits, [final]]);
  // A stated range limits the last phase alone.
  const limits = (phases) => (phaseLimits.length === phases.length ? phaseLimits
    : phases.map((_, i) => (i === phases.length - 1 ? final : null)));
  return element('section', 'record-pair', ...shown.map((each, i) => side(
    i === 0 ? 'Before' : 'After', each, lists[i], limits(lists[i]), scale,
    content.reference?.range_only ?? false,
  )));
}

const goodWords = (rangeOnly) => (rangeOnly ? 'The final draw lies within the stated range.'
  : 'Every phase lies within what this type draws.');

function side(title, power_up, phases, limits, scale, rangeOnly) {
  const box = element('div', 'record-side', element('h2', '', title));
  if (!power_up) {
    box.append(element('p', 'quiet', 'No power-up.'));
    return box;
  }
  const word = power_up.verdict;
  box.append(element('div', 'record-verdict',
    word ? mark(word, 'medium') : element('span', 'quiet', 'no verdict'),
    element('p', 'record-draw', amperes(power_up.final_draw_A),
      element('span', 'record-draw-label', 'final draw'))));
  box.append(element('p', 'record-reason', capital(power_up.reason
    ?? (word === 'good' ? goodWords(rangeOnly) : ''))));
  if (phases.length) {
    box.append(signatureDrawing({
      phases, limits, scale, wide: 460, high: 150, id: title.toLowerCase(),
      label: `${title}: ${phases.map((phase) => `${amperes(phase.level_A)} from ${instant(phase.from_s)} s`).join(', ')}`,
    }));
  }
  box.append(element('p', 'record-about',
    [power_up.stage, when(power_up.started_at), `power-up ${power_up.id}`,
      power_up.reference_version ? `reference version ${power_up.reference_version}` : 'no reference',
    ].filter(Boolean).join(', ')));
  return box;
}

function limitsByPhase(rows) {
  const limits = [];
  for (const row of rows ?? []) if (row.of === 'level_A') limits[row.phase] = row.limits;
  return Array.from(limits, (each) => each ?? null);
}

function rowCells(texts, tag = 'td') {
  return texts.map((text) => element(tag, '', text));
}

function stagesPart(content) {
  const final = (content.rows ?? []).find((row) => row.of === 'final_draw_A');
  const table = element('table', 'record-table', element('caption', '', final?.limits
    ? `Stage by stage; the type's final draw is ${ampereRange(final.limits.low, final.limits.high)}`
    : 'Stage by stage'));
  table.append(element('thead', '', element('tr', '', ...['Stage', 'Total', 'Good', 'Bad',
    'Unsure', 'Final draw', 'Change from the stage before'].map((text) => {
    const cell = element('th', '', text);
    cell.scope = 'col';
    return cell;
  }))));
  const body = element('tbody', '');
  const stages = (content.stages ?? []).filter((stage) => stage.power_ups > 0);
  for (const stage of stages.slice(-MOST_STAGES)) {
    const point = final?.points.find((each) => each.stage === stage.stage);
    const change = final?.changes.find((each) => each.to === stage.stage);
    body.append(element('tr', '', ...rowCells([stage.stage, String(stage.power_ups),
      String(stage.good), String(stage.bad), String(stage.unsure), drawText(point),
      changeText(change)])));
  }
  table.append(body);
  if (stages.length > MOST_STAGES) table.caption.append(`; ${stages.length - MOST_STAGES} earlier stages are in the file`);
  return table;
}

function drawText(point) {
  if (!point) return '–';
  if (point.low === null) return amperes(point.mean);
  return `${amperes(point.mean)} (${ampereRange(point.low, point.high)})`;
}

export function changeText(change) {
  if (!change) return '–';
  const percent = (share) => `${share >= 0 ? '+' : '−'}${Math.abs(100 * share).toFixed(1)} %`;
  const size = percent(change.difference_share);
  if (change.low_share === null) return `${size}, spread not known`;
  const range = `${percent(change.low_share)} to ${percent(change.high_share)}`;
  return `${size} (${range}), ${change.more_than_own_spread ? 'more than' : 'within'} its own spread`;
}

function supportsPart(content) {
  const power_ups = counted(content.power_ups.length, 'power-up');
  const lines = [`${power_ups} in all. ${sentence(content.supports ?? '')}`];
  const { reference } = content;
  if (reference) {
    lines.push(`Reference: ${reference.module_type}, version ${reference.version}, `
      + `${reference.range_only ? 'a stated range alone'
        : `${counted(reference.units, 'known-good unit')}, ${counted(reference.power_ups, 'power-up')}`}.`);
  }
  const against = content.against_shipped;
  if (against) {
    lines.push(`Against its own signature when it left (work order ${against.work_order}), `
      + `power-up ${against.power_up}: ${against.said.join(' ')}`);
  }
  return [element('section', 'record-supports', element('h2', '', 'What the power-ups support'),
    ...lines.map((text) => element('p', '', text)))];
}

const sentence = (text) => (text && !text.endsWith('.') ? `${capital(text)}.` : capital(text));
const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

function someOf(items, most, words) {
  const list = element('ul', '', ...items.slice(0, most).map((item) => element('li', '', words(item))));
  if (items.length > most) list.append(element('li', '', `and ${items.length - most} more, in the file`));
  return list;
}

function lists(content) {
  const parts = element('div', 'record-lists');
  const { meter_readings: readings = [], notes = [], photos = [] } = content;
  if (readings.length) {
    parts.append(element('section', '', element('h2', '', 'Meter readings'), someOf(readings,
      MOST_READINGS, (each) => `${each.stage ?? ''}: ${each.what}, ${each.value} ${each.unit}${each.hand ? `, ${each.hand}` : ''}`)));
  }
  if (notes.length) {
    parts.append(element('section', '', element('h2', '', 'Notes'), someOf(notes, MOST_NOTES,
      (each) => `${each.stage ?? ''}: ${each.text}`)));
  }
  if (photos.length) {
    parts.append(element('p', 'quiet', `${counted(photos.length, 'photo')} kept with the order.`));
  }
  return parts;
}

function small(content) {
  return element('section', 'record-small',
    element('div', '', element('h2', '', 'Not tested'),
      element('ul', '', ...content.not_tested.map((text) => element('li', '', text)))),
    element('div', '', element('h2', '', 'Mind'),
      element('ul', '', ...content.cautions.map((text) => element('li', '', text)))));
}

function foot(record) {
  return element('footer', 'record-foot',
    element('p', '', `Written by ${record.content.hand}. Signed: `, element('span', 'record-sign')),
    element('p', 'record-hash', `SHA-256 ${record.sha256}`,
      record.previous_sha256 ? ` after ${record.previous_sha256.slice(0, 16)}…` : ', the first'));
}
