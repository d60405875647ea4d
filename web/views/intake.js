// SPDX-License-Identifier: GPL-3.0-or-later
//
// Taking a unit in. Known: at once, at its open order. Unknown: a slip, two taps;
// what else is worth writing down lies below and may wait.

import { Problem, get, post, send } from '../lib/api.js';
import { handField } from '../lib/hand.js';
import { element, setHidden, setText } from '../lib/page.js';
import { MOST_PHOTOS, shrink } from '../lib/photos.js';
import { figureOf, hasCell } from '../lib/orders.js';
import { choice, field, slip } from './slip.js';

const ANOTHER = '\u0000another';
const CELLS = ['none seen', 'coin cell', 'soldered pack'];
const CONDITIONS = ['clean', 'corroded', 'opened before', 'burnt'];
export const CELL_CAUTION = 'A cell is on the board: take it off before any heat. A heated cell vents or '
  + 'bursts, and it keeps parts of the board alive with the output off.';

// taken(answer): what the bench answered once it is on the bench; now, or when the
// slip of an unknown one is through.
export async function takeIn(supply, serial, taken) {
  const { items } = await get(`units?serial=${encodeURIComponent(serial)}&limit=1`);
  if (items.length === 0) {
    await intakeSlip(supply, serial, taken);
    return;
  }
  try {
    const answer = await post(`supplies/${encodeURIComponent(supply)}/intake`, { serial });
    taken(answer);
  } catch (problem) {
    if (!(problem instanceof Problem) || problem.field !== 'module_type') throw problem;
    await intakeSlip(supply, serial, taken);
  }
}

async function intakeSlip(supply, serial, taken) {
  const { items } = await get('module-types?limit=500');
  const parts = fields(items);
  const steps = new Steps();
  const laid = slip({
    title: `${serial} is new here`,
    body: [parts.types.row, parts.newType.row, element('p', 'slip-more', 'More, if you like'),
      ...parts.rows],
    save: 'Take it in', leave: 'Not now', wide: true,
    fields: { module_type: parts.newType.input, serial: parts.newType.input },
    act: () => run(supply, serial, parts, steps, taken),
  });
  laid.save.disabled = parts.types.value === null;
  parts.chosen = () => {
    const another = parts.types.value === ANOTHER;
    laid.save.disabled = false;
    setHidden(parts.newType.row, !another);
    if (another) parts.newType.input.focus();
    else laid.save.focus();
    parts.layOhms();
  };
  parts.types.buttons[0].focus();
}

function fields(types) {
  const names = types.map((type) => type.name);
  const parts = {
    types: choice('Module type', [...names, ANOTHER], {
      label: (each) => (each === ANOTHER ? 'another type …' : each),
      value: null, changed: () => parts.chosen(),
    }),
    newType: field('Its name', { name: 'new_type', maxLength: 127 }),
    complaint: field('Complaint', { name: 'complaint', rows: 2, maxLength: 2000 }),
    revision: field('Revision', { name: 'revision', maxLength: 63 }),
    set_up: field('Set-up: harness, loads, bus termination, lead set', { name: 'set_up', maxLength: 255 }),
    customer_reference: field('Customer\u2019s reference', { name: 'customer_reference', maxLength: 127 }),
    condition: field('Condition', { name: 'condition', maxLength: 255 }),
    cells: field('Cells on the board', { name: 'cells', maxLength: 127 }),
    ohms: [], ohmRows: element('div', 'pairs'), photos: photoPicker(), hand: handField(),
  };
  parts.types.row.classList.add('chips-large');
  parts.newType.row.hidden = true;
  const caution = element('p', 'caution', CELL_CAUTION);
  const cellsSaid = () => setHidden(caution, !hasCell({ cells: parts.cells.input.value }));
  parts.cells.input.addEventListener('input', cellsSaid);
  cellsSaid();
  parts.layOhms = () => {
    const type = types.find((each) => each.name === parts.types.value);
    const feeds = type?.feeds?.length > 0 ? type.feeds : ['supply'];
    parts.ohms = feeds.map((feed) => ({
      what: `${feed} to ground`,
      ...field(`${feed} to ground, ohm`, { inputMode: 'decimal', maxLength: 15 }),
    }));
    parts.ohmRows.replaceChildren(...parts.ohms.map(({ row }) => row));
  };
  parts.layOhms();
  parts.rows = [
    parts.complaint.row, parts.cells.row, filler(parts.cells.input, 'Cells', CELLS, cellsSaid), caution,
    group('Cold check, before power', parts.ohmRows),
    parts.condition.row, filler(parts.condition.input, 'Condition', CONDITIONS),
    element('div', 'pairs', parts.revision.row, parts.customer_reference.row), parts.set_up.row,
    parts.photos.row, parts.hand.row,
  ];
  return parts;
}

function group(words, ...children) {
  const made = element('fieldset', 'plain', element('legend', '', words), ...children);
  return made;
}

// Words to touch that fill a field; it may be written in as well.
function filler(input, words, values, changed = () => {}) {
  return choice(words, values, {
    changed: (value) => {
      input.value = value;
      changed();
    },
  }).row;
}

// --- what is sent ---

// Each step once, however often the slip is tried again.
class Steps {
  constructor() {
    this.done = new Map();
  }

  async once(key, act) {
    if (!this.done.has(key)) this.done.set(key, await act());
    return this.done.get(key);
  }
}

async function run(supply, serial, parts, steps, taken) {
  const ohms = parts.ohms.filter(({ input }) => input.value.trim() !== '').map(({ what, input }) => {
    const value = figureOf(input.value);
    if (Number.isNaN(value)) {
      input.focus();
      throw new Problem(`${what}: \u201c${input.value}\u201d is no number of ohms; write 4.7, 4.7k or 2M.`);
    }
    return { what, value };
  });
  const module_type = await typeOf(parts, steps);
  const said = { serial, module_type };
  for (const key of ['revision', 'set_up', 'complaint', 'customer_reference', 'condition', 'cells']) {
    const value = parts[key].input.value.trim();
    if (value !== '') said[key] = value;
  }
  const answer = await steps.once('intake',
    () => post(`supplies/${encodeURIComponent(supply)}/intake`, said));
  const order = `work-orders/${encodeURIComponent(answer.work_order.id)}`;
  const { stage } = answer.supply;
  const hand = parts.hand.value;
  for (const { what, value } of ohms) {
    await steps.once(`ohms ${what}`, () => post(`${order}/meter-readings`,
      { stage, before_power: true, what, value, unit: 'ohm', hand: hand || null }));
  }
  for (const photo of parts.photos.chosen) {
    await steps.once(photo, async () => sendPhoto(order, stage, photo));
  }
  taken(answer);
}

async function typeOf(parts, steps) {
  const { value } = parts.types;
  if (value !== ANOTHER) return value;
  const name = parts.newType.input.value.trim();
  if (name === '') {
    parts.newType.input.focus();
    throw new Problem('The new type wants a name.');
  }
  const { items } = await get('module-types?limit=500');
  if (!items.some((type) => type.name === name)) {
    await steps.once(`type ${name}`, () => post('module-types', { name }));
  }
  return name;
}

export async function sendPhoto(order, stage, file) {
  return send(`${order}/photos?stage=${encodeURIComponent(stage)}`, await shrink(file));
}

// Photos from the camera or the tablet, at most so many: {row, chosen: [File]}.
export function photoPicker(most = MOST_PHOTOS) {
  const input = element('input', 'photo-input');
  const said = element('span', 'photo-said', 'none yet');
  const row = element('label', 'photo-row', input, element('span', 'photo-take', 'Take or choose photos'), said);
  const made = { row, input, chosen: [] };
  input.type = 'file';
  input.accept = 'image/*';
  input.multiple = true;
  input.setAttribute('capture', 'environment');
  input.addEventListener('change', () => {
    made.chosen = [...made.chosen, ...input.files].slice(0, most);
    input.value = '';
    setText(said, `${made.chosen.length} of at most ${most}`);
    made.changed?.();
  });
  return made;
}
