// SPDX-License-Identifier: GPL-3.0-or-later
//
// The bench page: hears the live stream, keeps a watch for each supply, and
// lays the chosen one on the ticket.

import { Problem, get } from '../lib/api.js';
import { keepAwake } from '../lib/awake.js';
import { LiveStream } from '../lib/live_stream.js';
import { setData, setHidden, setText } from '../lib/page.js';
import { livePath } from '../lib/page_token.js';
import { References } from '../lib/references.js';
import { SupplyWatch } from '../lib/supply_watch.js';
import { Tones } from '../lib/tones.js';
import { mountOff } from './off.js';
import { outputSwitch } from './output_switch.js';
import { onBenchForm, stageButtons } from './on_bench_form.js';
import { Copy } from './copy.js';
import { phasesView } from './phases.js';
import { benchPicture } from './pictures.js';
import { repairDesk } from './repair.js';
import { runDesk } from './run_line.js';
import { spine } from './spine.js';
import { STAGES } from '../lib/orders.js';
import { stripView } from './strip.js';
import { supplyView, tabsView, tabWords } from './supply_state.js';
import { traceView } from './trace.js';
import { verdictView } from './verdict.js';

const CHOICE_KEY = 'bench.supply'; // the sheet last looked at
const BOUND_KEY = 'bench.bound'; // the output of this tablet: where its scans go
const TICK_MS = 200;

const at = (id) => document.getElementById(id);

const watches = new Map();
const asked = new Set(); // power-ups being fetched
let types = new Map();
let chosen = null; // a supply's name
let streamOpen = false;
let lostSince_ms = null; // wall clock of the bench
let clockOffset_ms = 0; // the bench's wall clock less the tablet's
let trouble = ''; // why the last question to the bench failed

const references = new References(get, render);
const copy = new Copy(get, render);

const head = spine(at('spine'), 'bench', { live: false });
const tabs = tabsView(at('supplies'), choose);
const verdict = verdictView({
  block: at('judgement'), mark: at('mark'), drawLabel: at('draw-label'), draw: at('draw'),
  drawNote: at('draw-note'), reason: at('reason'), details: at('details'), facts: at('facts'),
  filed: at('filed'), spoken: at('spoken'),
});
const phases = phasesView({
  table: at('phases-table'), body: at('phases'), empty: at('phases-empty'),
});
const supply = supplyView({
  identity: at('identity'), output: at('output'), set: at('output-set'), rate: at('rate'), cautions: at('cautions'),
});
const strip = stripView(at('strip'), (id) => copy.lay(id));
stageButtons(at('form-stages'), STAGES);
const entries = onBenchForm({
  module_type: at('entry-module_type'), unit: at('entry-unit'),
  work_order: at('entry-work_order'), stage: at('entry-stage'), change: at('entries-change'),
}, {
  dialog: at('form-dialog'), form: at('form'), title: at('form-title'),
  problem: at('form-problem'), save: at('form-save'), cancel: at('form-cancel'),
  codeRow: at('form-code'), newTypeRow: at('form-new-type'),
  stages: at('form-stages'),
  fields: {
    module_type: at('field-module_type'), new_type: at('field-new_type'), unit: at('field-unit'),
    work_order: at('field-work_order'), stage: at('field-stage'), code: at('field-code'),
  },
}, told);
const outputs = outputSwitch({
  buttons: at('switch'), off: at('switch-off'), on: at('switch-on'), onWords: at('switch-on-words'),
  note: at('switch-note'), before: at('switch-before'), last: at('output-last'),
}, async ({ text }) => (await import('./code_slip.js')).codeSlip(text));
mountOff(at('form-off'));
const repair = repairDesk({
  scan: { form: at('scan'), input: at('scan-field'), note: at('scan-note') }, bind: at('scan-bind'),
  stages: at('stages'), tags: at('tags'), stageSaid: at('entry-stage'), stageLabel: at('stage-label'),
  still: at('still'), stillText: at('still-text'), stillYes: at('still-yes'), stillNo: at('still-no'),
  order: at('order'), undo: at('undo'), move: at('copy-move'),
}, {
  chosen: () => watches.get(chosen) ?? null, bound: boundSupply, scanTo, told, moved, render,
});
const run = runDesk(at('run'), {
  get, render, told, cell: () => repair.cell(), watch_s: watchOfType, failed: (text) => repair.strip.offer(text, null, { tone: 'trouble' }),
});
let soak = null; // fetched with the first copy
const tones = new Tones();
let picture = null;
const trace = traceView(at('trace'), () => {
  picture = compose();
  return picture.trace;
});

// --- what is heard ---

const hears = {
  reading(event) {
    const watch = watchOf(event.supply);
    const unknown = watch.hearReading(event, performance.now());
    if (unknown !== null) fetchPowerUp(watch, unknown);
    if (watch.name === chosen && copy.id === null) trace.touch();
  },
  'power-up'(event) {
    const watch = watchOf(event.supply);
    const before = watch.current?.id ?? null;
    const holed = watch.hearPowerUp(event);
    if (holed !== null) fetchPowerUp(watch, holed);
    const now = watch.current?.id ?? null;
    // A new power-up wants the bench's sheet, not an earlier one's copy.
    if (watch.name === chosen && now !== null && now !== before) copy.clear();
    render();
  },
  // On the page at once, before anything else is laid out.
  verdict(event) {
    const watch = watchOf(event.supply);
    const before = watch.current?.verdict ?? null;
    const current = watch.hearVerdict(event);
    render();
    if (current && before === null && watch.name === boundSupply()) tones.play(event.verdict.verdict);
  },
  supply(item) {
    const watch = watchOf(item.name);
    const left = watch.hearSupply(item, performance.now());
    if (left !== null) fetchPowerUp(watch, left, true);
    settleChoice();
  },
  run(event) {
    run.hear(event);
  },
  heartbeat(event) {
    clockOffset_ms = Date.parse(event.at) - Date.now();
  },
};

new LiveStream(livePath(), {
  heard: (name, data) => hears[name](data),
  changed(open) {
    streamOpen = open;
    if (open) {
      lostSince_ms = null;
      refetch();
    } else {
      lostSince_ms ??= Date.now() + clockOffset_ms;
    }
    render();
  },
});

function watchOf(name) {
  if (!watches.has(name)) watches.set(name, new SupplyWatch(name));
  return watches.get(name);
}

// --- what is asked ---

async function refetch() {
  await attempt(async () => {
    const { items } = await get('supplies');
    for (const name of [...watches.keys()]) {
      if (!items.some((item) => item.name === name)) watches.delete(name);
    }
    for (const item of items) {
      const watch = watchOf(item.name);
      watch.hearSupply(item, performance.now());
      const open = item.power_up ?? null;
      const mine = watch.current?.id ?? null;
      if (open !== null) fetchPowerUp(watch, open);
      if (mine !== null && mine !== open) fetchPowerUp(watch, mine, open === null);
    }
    settleChoice();
  });
  await attempt(async () => {
    for (const watch of watches.values()) {
      const { items } = await get(`power-ups?limit=12&supply=${encodeURIComponent(watch.name)}`);
      watch.takeStrip(items.filter((item) => item.supply === watch.name));
    }
  });
  await attempt(async () => {
    const { name } = await get('health');
    if (name) setText(at('bench-name'), `${name}: sheet No.`);
  });
  await fetchTypes();
  await repair.refetch();
  render();
}

async function fetchTypes() {
  await attempt(async () => {
    const { items } = await get('module-types?limit=500');
    types = new Map(items.map((type) => [type.name, type]));
    stageButtons(at('form-stages'), (await get('settings')).stages);
  });
  references.forget();
}

// over: it is no longer the open one, whatever the store still says.
async function fetchPowerUp(watch, id, over = false) {
  if (asked.has(id)) return;
  asked.add(id);
  await attempt(async () => {
    watch.adopt(await get(`power-ups/${encodeURIComponent(id)}`), over);
  });
  asked.delete(id);
  render();
}

async function attempt(question) {
  try {
    await question();
    trouble = '';
  } catch (problem) {
    if (!(problem instanceof Problem)) throw problem;
    trouble = problem.message;
  }
}

// --- which supply ---

const named = () => decodeURIComponent(location.hash.slice(1));

// The address says which; else the tablet's last choice; supplies are heard of one
// after another, so that the first of them decides nothing.
function settleChoice() {
  const next = [named(), localStorage.getItem(CHOICE_KEY), chosen].find((each) => watches.has(each))
    ?? watches.keys().next().value ?? null;
  if (next !== chosen) copy.clear();
  chosen = next;
  render();
}

function choose(name) {
  if (watches.has(name)) {
    localStorage.setItem(CHOICE_KEY, name);
    const hash = `#${encodeURIComponent(name)}`;
    if (location.hash !== hash) history.replaceState(null, '', hash);
  }
  settleChoice();
}

// Where this tablet's scans go; without a word of its own, to the sheet it shows.
function boundSupply() {
  const bound = localStorage.getItem(BOUND_KEY);
  return watches.has(bound) ? bound : chosen;
}

// A scan: the bench as it is, on the sheet it goes to; the first one binds the tablet.
function scanTo(name) {
  if (!watches.has(localStorage.getItem(BOUND_KEY))) bind(name);
  copy.clear();
  choose(name);
}

function bind(name) {
  localStorage.setItem(BOUND_KEY, name);
  render();
}

window.addEventListener('hashchange', () => choose(named()));

// --- what was written ---

function told(item) {
  watches.get(item.name)?.hearSupply(item, performance.now());
  fetchTypes();
  render();
}

function moved(item) {
  for (const watch of watches.values()) {
    const held = watch.strip.find((each) => each.id === item.id);
    if (held) Object.assign(held, item);
    if (watch.current?.id === item.id) Object.assign(watch.current.item, item);
  }
  if (copy.detail?.item.id === item.id) Object.assign(copy.detail.item, item);
  render();
}

// --- what is laid out ---

function compose() {
  const watch = chosen === null ? null : watches.get(chosen);
  return benchPicture({
    watch, copy: copy.detail, copyId: copy.id, copyProblem: copy.problem, references,
    standing: standingOf(watch), lostSince_ms, clockOffset_ms, trouble,
    type: types.get(watch?.item?.module_type) ?? null, now_ms: performance.now(), wall_ms: Date.now(),
  });
}

function standingOf(watch) {
  if (watch) return watch.standing(performance.now(), streamOpen);
  return streamOpen ? 'unheard' : 'lost';
}

function render() {
  picture = compose();
  verdict.show(picture.verdict);
  const watch = chosen === null ? null : watches.get(chosen);
  const standing = standingOf(watch);
  setData(at('ticket'), 'sheet', copy.id === null ? 'live' : 'copy');
  setData(at('ticket'), 'standing', standing);
  setData(at('ticket'), 'struck', picture.struck ? 'yes' : 'no');
  setHidden(at('copy-band'), copy.id === null);
  setText(at('copy-text'), picture.copyText);
  setText(at('number'), picture.number ?? '');
  entries.show(picture.onBench, copy.id !== null);
  phases.show(picture.phases, picture.suspect);
  setText(at('trace-caption'), picture.caption);
  at('trace').setAttribute('aria-label', picture.caption);
  tabs.show([...watches.values()].map((each) => ({
    name: each.name, output: each.item?.output ?? '?', state: tabWord(each),
  })), chosen);
  head.show([...watches.values()].map((each) => each.item).filter(Boolean), { lost: lostSince_ms !== null });
  if (watch) {
    const fresh = ['waiting', 'watching', 'judged'].includes(standing);
    const type = types.get(watch.item?.module_type);
    supply.show(watch, fresh, type, repair.cell());
    outputs.show(watch.item, type, standing === 'waiting' && copy.id === null);
    run.show(watch);
    strip.show(watch.strip, copy.id, fresh ? watch.current?.id ?? null : null);
  }
  showSoak(copy.detail?.item ?? null);
  repair.show(watch ?? null, copy.id === null ? null : copy.detail?.item ?? {});
  document.title = picture.title;
  trace.touch();
}

function watchOfType(item) {
  const { reference } = references.of(item.module_type, item.reference_version ?? null);
  return reference?.watch_s ?? types.get(item.module_type)?.watch_s ?? null;
}

// The log of an earlier one's on-time, under its trace.
async function showSoak(item) {
  if (soak === null && item === null) return;
  soak ??= import('./soak.js').then(({ soakView }) => soakView(at('soak'), get));
  (await soak).show(item);
}

function showTones() {
  setText(at('tones'), tones.on ? 'Tones on' : 'Tones off');
  at('tones').setAttribute('aria-pressed', String(tones.on));
}

function tabWord(watch) {
  const standing = standingOf(watch);
  if (streamOpen && watch.item?.off_wanted) return 'still on?';
  if (streamOpen && watch.item?.output_doing) return watch.item.output_doing;
  if (standing === 'judged') return watch.current.verdict.verdict;
  return tabWords[standing];
}

at('copy-move').addEventListener('click', () => {
  if (copy.detail) repair.move(copy.detail.item);
});
at('scan-bind').addEventListener('click', () => bind(chosen));
at('tones').addEventListener('click', () => {
  tones.toggle();
  showTones();
});
showTones();
keepAwake((text) => setText(at('awake'), text));
at('copy-back').addEventListener('click', () => copy.clear());
at('entries-change').addEventListener('click', () => {
  entries.open(chosen, watches.get(chosen)?.item ?? null);
});
document.addEventListener('keydown', (event) => {
  if (event.key === 'Escape' && !document.querySelector('dialog[open]')) copy.clear();
});
setInterval(render, TICK_MS);
render();
