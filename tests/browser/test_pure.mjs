// SPDX-License-Identifier: GPL-3.0-or-later
//
// The page's pure parts, without a browser.

import assert from 'node:assert/strict';

import * as days from '../../web/lib/days.js';
import * as outputs from '../../web/lib/outputs.js';
import { LiveStream } from '../../web/lib/live_stream.js';
import { matchPhases, phaseRows } from '../../web/lib/phase_match.js';
import { Readings, roundTop, thin } from '../../web/lib/readings.js';
import { SupplyWatch } from '../../web/lib/supply_watch.js';
import { instants } from '../../web/views/pictures.js';
import { reasonsOf } from '../../web/views/verdict.js';
import * as words from '../../web/lib/words.js';
import { check, finish, until } from './check.mjs';

const seed = Number(process.env.SEED ?? Math.floor(Math.random() * 2 ** 31));

function random() {
  let state = seed;
  return () => {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    return state / 2 ** 32;
  };
}

check('days: counted, named, put together by week and month', () => {
  assert.deepEqual(['2026-01-31', '2026-02-30', '2026-1-31', 'today', null].map(days.isDay),
    [true, false, false, false, false]);
  assert.equal(days.daysOn('2026-02-27', 2), '2026-03-01');
  assert.equal(days.daysOn('2028-02-28', 1), '2028-02-29');
  assert.equal(days.dayCount('2026-03-28', '2026-03-30'), 3); // clocks change in between
  assert.equal(days.dayWords('2026-03-02'), 'Mon 2 Mar');
  assert.equal(days.today(new Date(2026, 0, 5, 23, 59)), '2026-01-05');
  const rows = ['2026-03-01', '2026-03-02', '2026-03-08', '2026-04-09'].map((day) => ({ day }));
  const told = (from, to) => days.periods(rows, from, to).map((each) => [each.from, each.to, each.rows.length]);
  assert.deepEqual(told('2026-03-01', '2026-03-31').map(([from]) => from), rows.map(({ day }) => day));
  // A Sunday ends its week; the first and the last week end with the period.
  assert.deepEqual(told('2026-03-01', '2026-04-10'), [['2026-03-01', '2026-03-01', 1],
    ['2026-03-02', '2026-03-08', 2], ['2026-04-06', '2026-04-10', 1]]);
  assert.deepEqual(told('2025-12-01', '2026-11-30'), [['2026-03-01', '2026-03-31', 3],
    ['2026-04-01', '2026-04-30', 1]]);
});

check('outputs: what becomes of one, in words', () => {
  const item = (parts) => ({
    name: 'left', control: true, unit: 'HL-1', output_on: false, output_doing: null, output_last: null, output_by: null,
    output_hand: null, output_why: null, output_at: null, output_problem: null, off_wanted: false, hold: null, ...parts,
  });
  const strong = (parts) => outputs.strongWords(item(parts))?.text ?? null;
  assert.equal(strong({}), null);
  assert.equal(strong({ output_last: 'on', output_by: 'page', output_on: true }), null);
  assert.equal(strong({ output_last: 'refused', output_problem: 'a short' }), 'Not switched on: a short.');
  // Where it is not known to be off, the switch is what is left.
  assert.equal(strong({ output_last: 'refused', output_problem: 'a short', output_on: null }),
    'Not switched on: a short. Use the switch on the supply.');
  assert.equal(strong({ output_last: 'off', output_by: 'wakedraw', output_why: '4.0 s in current limit' }),
    'Switched off by wakedraw: 4.0 s in current limit.');
  assert.equal(strong({ output_last: 'off', output_by: 'page', output_why: 'lunch' }), null);
  assert.equal(strong({ off_wanted: true, output_last: 'refused', output_problem: 'a short' }),
    'Off was not confirmed. Use the switch on the supply.');
  const quiet = (parts) => outputs.quietWords(item(parts));
  assert.equal(quiet({}), '');
  assert.equal(quiet({ output_last: 'on', output_by: 'page', output_hand: 'TM' }), 'On by the page (TM)');
  assert.equal(quiet({ output_last: 'off', output_by: 'run 12', output_why: 'stopped on the first bad one' }),
    'Off by run 12: stopped on the first bad one');
  assert.equal(quiet({ output_last: 'off at the supply', output_by: 'front panel' }), 'Off by a hand at the supply');
  assert.equal(quiet({ output_last: 'off', output_by: 'wakedraw', output_why: 'said above' }), 'Off by wakedraw');
  assert.match(quiet({ output_last: 'on', output_by: 'page', output_at: '2026-03-02T08:41:09Z' }), /^On by the page, \d\d:41:09$/);
  // Off has something to do where it is on, may be, is about to be, or was not confirmed.
  const may = (parts) => outputs.mayBeOn(item(parts));
  assert.deepEqual([may({}), may({ output_on: true }), may({ output_on: null }), may({ output_doing: 'setting' }),
    may({ off_wanted: true })], [false, true, true, true, true]);
  assert.equal(outputs.doingWords(item({ output_doing: 'looking' }), { look_limit_A: 0.1 }).replaceAll('\u00a0', ' '),
    'Looking at 0.100 A first.');
  assert.equal(outputs.doingWords(item({ output_doing: 'waiting for the voltage to fall' })), 'Waiting for the voltage to fall.');
  assert.equal(outputs.holdWords(item({})), null);
  const hold = { since: '2026-03-02T08:41:09Z', unit: 'HL-7', hand: null, why: null };
  assert.match(outputs.holdWords(item({ hold })).head, /^left: memory of HL-7 is being/);
  assert.match(outputs.holdWords(item({ hold })).text, /^Since \d\d:41\.$/);
  assert.match(outputs.holdWords(item({ hold })).rule, /^Nothing is switched/);
  assert.match(outputs.holdWords(item({ hold, control: false })).rule, /Leave the supply/);
});

check('words: amperes, ranges, times as printed', () => {
  const same = (found, wanted) => assert.equal(found.replaceAll('\u00a0', ' '), wanted);
  same(words.amperes(0.2514), '0.251 A');
  same(words.amperes(12.345), '12.35 A');
  same(words.amperes(-0.0002), '0.000 A');
  same(words.amperes(null), '–');
  same(words.amperes(NaN), '–');
  same(words.ampereRange(0.24, 0.2666), '0.240 to 0.267 A');
  same(words.ampereRange(null, 0.2), '');
  same(words.duration(3.21), '3.2 s');
  same(words.duration(245), '4 min 05 s');
  same(words.duration(7800), '2 h 10 min');
  same(words.milliseconds(0.0004), '0.4 ms');
  same(words.clockTime('not a time'), '–');
  same(words.day(Date.now()), 'today');
  same(words.counted(1, 'gap'), '1 gap');
  same(words.counted(0, 'gap'), '0 gaps');
});

check('readings: what does not go on is left out, nulls become gaps', () => {
  const readings = new Readings();
  assert.equal(readings.append([1, 2, 3], [12, 12, null], [0.1, 0.2, null]), 3);
  assert.equal(readings.append([2, 3, 4], [12, 12, 12], [9, 9, 0.4]), 1);
  assert.deepEqual(readings.time_s, [1, 2, 3, 4]);
  assert.ok(Number.isNaN(readings.current_A[2]));
  assert.equal(readings.last().current_A, 0.4);
  assert.equal(readings.from(2.5), 2);
  const [times, currents] = thin(readings, 0, 5, 100);
  assert.deepEqual(times, [1, 2, 3, 4]);
  assert.deepEqual(currents, [0.1, 0.2, null, 0.4]);
});

check('readings: keeps only so many', () => {
  const readings = new Readings(1000);
  for (let i = 0; i < 10000; i++) readings.append([i], [12], [i]);
  assert.ok(readings.count >= 1000 && readings.count <= 1250, `${readings.count}`);
  assert.equal(readings.lastTime_s, 9999);
});

check('thinning loses no extreme, keeps the order, stays small', () => {
  const next = random();
  for (let round = 0; round < 300; round++) {
    const readings = new Readings();
    const count = 2 + Math.floor(next() * 6000);
    let time = 0;
    for (let i = 0; i < count; i++) {
      time += 0.001 + next() * 0.02;
      readings.append([time], [12], [next() < 0.01 ? null : next() ** 8]);
    }
    const columns = 50 + Math.floor(next() * 1200);
    const [times, currents] = thin(readings, 0, time + 0.001, columns);
    const valid = readings.current_A.filter((value) => !Number.isNaN(value));
    const drawn = currents.filter((value) => value !== null);
    assert.equal(Math.max(...drawn), Math.max(...valid));
    assert.equal(Math.min(...drawn), Math.min(...valid));
    assert.equal(currents.includes(null), readings.current_A.some(Number.isNaN));
    assert.ok(times.length <= Math.max(columns * 5, columns * 2 + 2), `${times.length} of ${columns}`);
    for (let i = 1; i < times.length; i++) assert.ok(times[i] > times[i - 1]);
  }
  return `300 rounds, seed ${seed}`;
});

check('the axis ends above what is drawn, on a round number', () => {
  const next = random();
  for (let i = 0; i < 2000; i++) {
    const largest = 10 ** (next() * 6 - 4);
    const top = roundTop(largest);
    assert.ok(top >= largest * 1.1 && top <= largest * 2.0, `${largest} ${top}`);
  }
  assert.equal(roundTop(0), 0.1);
});

// --- which phase is which ---

const level = (low, high, duration_s) => ({
  kind: 'level', level_A: { expected: (low + high) / 2, low, high },
  duration_s: duration_s === null ? null : { expected: duration_s, low: 0, high: 9 },
});
const TYPE_PHASES = [level(0.08, 0.09, 0.45), level(0.18, 0.2, 1.1), level(0.3, 0.32, 1.6), level(0.23, 0.25, null)];
const found = (...rows) => rows.map(([from_s, to_s, level_A]) => ({ from_s, to_s, level_A }));

check('phases: the type\u2019s own, in order', () => {
  assert.deepEqual(matchPhases(found([0, 0.45, 0.085], [0.45, 1.5, 0.19], [1.5, 3.1, 0.31], [3.1, 8, 0.24]), TYPE_PHASES), [0, 1, 2, 3]);
});

check('phases: an inrush is none of them, a stalled one leaves the rest awaited', () => {
  const rows = phaseRows(found([0, 0.03, 0.4], [0.03, 0.45, 0.083], [0.45, 8, 0.187]), TYPE_PHASES);
  assert.deepEqual(rows.map((row) => row.number), [null, 1, 2, 3, 4]);
  assert.deepEqual(rows.map((row) => row.found !== null), [true, true, true, false, false]);
});

check('phases: a missing one is left out, a split one is one', () => {
  assert.deepEqual(matchPhases(found([0, 0.45, 0.085], [0.45, 2, 0.31], [2, 8, 0.24]), TYPE_PHASES), [0, 2, 3]);
  assert.deepEqual(matchPhases(found([0, 0.45, 0.085], [0.45, 0.9, 0.19], [0.9, 1.5, 0.188], [1.5, 3.1, 0.31], [3.1, 8, 0.24]), TYPE_PHASES), [0, 1, 1, 2, 3]);
});

check('phases: without a reference they are numbered as they come', () => {
  assert.deepEqual(phaseRows(found([0, 1, 0.1], [1, 2, 0.2]), null).map((row) => row.number), [1, 2]);
  assert.deepEqual(phaseRows([], TYPE_PHASES).map((row) => row.found), [null, null, null, null]);
});

// --- one supply's watch ---

const ITEM = {
  name: 'left', output: 1, state: 'reading', age_s: 0, power_up: null, module_type: 'A',
  last_reading_at: '2026-01-31T08:05:10.000Z',
};

function powerUp(id, parts = {}) {
  return {
    id, supply: 'left', started_at: '2026-01-31T08:05:09.000Z', state: 'open', module_type: 'A',
    verdict: null, reference_version: 1, onset_s: 0.5, ended_why: null, on_time_s: null, ...parts,
  };
}

const GOOD = { verdict: 'good', final: true, decided_at_s: 1, onset_s: 0.5, final_draw_A: 0.2, reasons: [] };

function reading(time_s, current_A, power_up = null) {
  return { supply: 'left', power_up, time_s, voltage_V: time_s.map(() => 12), current_A };
}

function watching() {
  const watch = new SupplyWatch('left');
  watch.hearSupply(ITEM, 0);
  watch.hearReading(reading([9, 9.2, 9.6, 9.8, 10, 10.1], [0, 0, 0, 0, 0.1, 0.1]), 1000);
  watch.hearPowerUp({ supply: 'left', onset_time_s: 10, watch_s: 8, power_up: powerUp('7'), signature: null });
  return watch;
}

check('watch: how things stand', () => {
  const watch = new SupplyWatch('left');
  assert.equal(watch.standing(0, true), 'unheard');
  watch.hearSupply({ ...ITEM, age_s: null, state: 'opening' }, 0);
  assert.equal(watch.standing(0, true), 'opening');
  watch.hearSupply(ITEM, 0);
  assert.equal(watch.standing(1900, true), 'waiting');
  assert.equal(watch.standing(2100, true), 'stale');
  assert.equal(watch.standing(100, false), 'lost');
  watch.hearSupply({ ...ITEM, state: 'gone' }, 100);
  assert.equal(watch.standing(200, true), 'gone');
});

check('watch: a supply event with an old reading does not refresh', () => {
  const watch = new SupplyWatch('left');
  watch.hearReading(reading([1], [0.1]), 0);
  watch.hearSupply({ ...ITEM, age_s: 5 }, 5000);
  assert.equal(watch.standing(5000, true), 'stale');
  watch.hearReading(reading([2], [null]), 5100);
  assert.equal(watch.standing(5100, true), 'stale', 'invalid readings are no readings');
  watch.hearReading(reading([3], [0.1]), 5200);
  assert.equal(watch.standing(5200, true), 'waiting');
});

check('watch: a power-up begins 0.5 s before onset, is judged, ends, is filed', () => {
  const watch = watching();
  assert.equal(watch.standing(1100, true), 'watching');
  const near = watch.current.run.time_s.map((time) => Math.round(time * 1000) / 1000);
  assert.deepEqual(near, [-0.4, -0.2, 0, 0.1]);
  assert.equal(watch.hearVerdict({ supply: 'left', power_up: '7', verdict: GOOD, kept: false }), true);
  assert.equal(watch.standing(1100, true), 'judged');
  assert.equal(watch.current.kept, false);
  watch.hearVerdict({ supply: 'left', power_up: '7', verdict: GOOD, kept: true, phases: [{}] });
  assert.equal(watch.current.kept, true);
  watch.hearPowerUp({ supply: 'left', power_up: powerUp('7', { state: 'complete', verdict: GOOD }), watch_s: 8 });
  assert.equal(watch.standing(1100, true), 'judged', 'the watch is over, the module still on');
  watch.hearPowerUp({ supply: 'left', watch_s: 8, power_up: powerUp('7', { state: 'complete', verdict: GOOD, ended_why: 'output off', on_time_s: 12 }) });
  assert.equal(watch.standing(1100, true), 'waiting');
  assert.equal(watch.current, null);
  assert.equal(watch.last.id, '7');
  assert.equal(watch.last.verdict.verdict, 'good');
});

check('watch: a new power-up never carries the old verdict', () => {
  const watch = watching();
  watch.hearVerdict({ supply: 'left', power_up: '7', verdict: GOOD, kept: true });
  watch.hearPowerUp({ supply: 'left', onset_time_s: 20, watch_s: 8, power_up: powerUp('8') });
  assert.equal(watch.current.id, '8');
  assert.equal(watch.current.verdict, null);
  assert.equal(watch.standing(1100, true), 'watching');
  watch.hearVerdict({ supply: 'left', power_up: '7', verdict: GOOD, kept: true });
  assert.equal(watch.current.verdict, null, 'a late verdict of the last one');
  assert.equal(watch.strip[1].verdict.verdict, 'good');
});

check('watch: what is replayed after its end stays ended', () => {
  const watch = watching();
  watch.hearPowerUp({ supply: 'left', watch_s: 8, power_up: powerUp('7', { ended_why: 'draw off', on_time_s: 2 }) });
  watch.hearPowerUp({ supply: 'left', onset_time_s: 10, watch_s: 8, power_up: powerUp('7') });
  assert.equal(watch.current, null);
  assert.equal(watch.hearReading(reading([11], [0.1], '7'), 1200), null);
});

check('watch: a verdict heard before its power-up is not lost', () => {
  const watch = new SupplyWatch('left');
  watch.hearSupply(ITEM, 0);
  watch.hearVerdict({ supply: 'left', power_up: '7', verdict: GOOD, kept: true });
  watch.hearPowerUp({ supply: 'left', onset_time_s: 10, watch_s: 8, power_up: powerUp('7') });
  assert.equal(watch.current.verdict.verdict, 'good');
});

check('watch: a power-up that was on before the page is adopted with its trace', () => {
  const watch = new SupplyWatch('left');
  watch.hearSupply({ ...ITEM, power_up: '7' }, 0);
  assert.equal(watch.hearReading(reading([100.9, 101], [0.2, 0.2], '7'), 10), '7');
  watch.adopt({
    ...powerUp('7', { verdict: GOOD }), signature: null,
    trace: { time_s: [0, 0.5, 1], voltage_V: [0, 12, 12], current_A: [0, 0.2, 0.2] },
  });
  assert.equal(watch.standing(20, true), 'judged');
  // Began at 08:05:09, last read 1 s later: the onset lies at 100 on the running clock.
  assert.equal(watch.current.onset_time_s, 100);
  watch.hearReading(reading([101.2], [0.2], '7'), 30);
  const near = watch.current.run.time_s.map((time) => Math.round(time * 1000) / 1000);
  assert.deepEqual(near, [-0.5, 0, 0.5, 0.9, 1, 1.2]);
});

check('watch: a trace with a hole is fetched again once it is whole in the store', () => {
  const watch = watching();
  const told = (parts) => watch.hearPowerUp({ supply: 'left', onset_time_s: 10, watch_s: 8, power_up: powerUp('7', parts) });
  assert.equal(told({ state: 'complete' }), null, 'nothing was missed');
  watch.adopt(powerUp('7')); // after a reconnection
  assert.equal(told({}), null, 'not whole in the store yet');
  assert.equal(told({ state: 'complete' }), '7');
  watch.adopt(powerUp('7', { state: 'complete' }));
  assert.equal(told({ state: 'complete' }), null);
});

check('watch: a supply that stays idle leaves the power-up behind', () => {
  const watch = watching();
  assert.equal(watch.hearSupply({ ...ITEM, power_up: null }, 1000), null, 'one may overtake');
  assert.equal(watch.hearSupply({ ...ITEM, power_up: null }, 2000), '7');
  watch.adopt(powerUp('7'), true);
  assert.equal(watch.current, null);
});

check('watch: the clock of another run of the bench starts afresh', () => {
  const watch = watching();
  watch.hearReading(reading([0.5], [0.1]), 1200);
  assert.equal(watch.current, null);
  assert.equal(watch.recent.count, 1);
});

check('watch: the strip merges the store with what was heard', () => {
  const watch = watching();
  watch.hearVerdict({ supply: 'left', power_up: '7', verdict: GOOD, kept: true });
  watch.takeStrip([powerUp('7'), powerUp('6', { verdict: GOOD, ended_why: 'output off' }), powerUp('10')]);
  assert.deepEqual(watch.strip.map((item) => item.id), ['10', '7', '6']);
  assert.equal(watch.strip[1].verdict.verdict, 'good', 'the older answer does not take it away');
});

// --- the stream ---

class FakeSource {
  static CLOSED = 2;
  static made = [];
  constructor(url) {
    this.url = url;
    this.readyState = 0;
    this.listeners = {};
    FakeSource.made.push(this);
  }
  addEventListener(name, listener) {
    this.listeners[name] = listener;
  }
  close() {
    this.readyState = 2;
  }
}

check('instants: when a verdict of the type can come, said in advance', () => {
  const one = (verdict, fault, phase, usual_s) => (
    { verdict, fault, phase, earliest_s: 0.5, usual_s, text: '' });
  const said = instants([one('bad', 'low', 2, 3.32), one('bad', 'low', 0, 0.6),
    one('bad', 'stalled', 1, 2), one('bad', 'stalled', 0, null), one('good', null, null, 8)]);
  assert.equal(said.length, 1);
  const text = said[0].replaceAll('\u00a0', ' ');
  assert.match(text, /^Good can be said at 8\.?0* s; a low final draw shows from 3\.3\d* s; /);
  assert.match(text, /a stall in the first phase from 0\.50* s or later\.$/);
  assert.deepEqual(instants([]), []);
});

check('reasons: what would settle an unsure verdict, where there is more than one way', () => {
  const verdict = { verdict: 'unsure', reasons: [{ text: 'cannot tell', details: '' }],
    settle: [{ text: 'steps of 5 mA' }, { text: 'two power-ups more' }] };
  assert.ok(reasonsOf(verdict).details
    .includes('Any one of these would settle it: steps of 5 mA; two power-ups more.'));
  assert.equal(reasonsOf({ ...verdict, settle: [{ text: 'one' }] }).details.length, 0);
});

check('stream: a closed one is replaced with back-off, a silent one is given up', async () => {
  FakeSource.made.length = 0;
  const states = [];
  const heard = [];
  const stream = new LiveStream('/live', {
    heard: (name, data) => heard.push([name, data]), changed: (open) => states.push(open),
    silence_ms: 700, Source: FakeSource,
  });
  try {
    FakeSource.made[0].listeners.open();
    FakeSource.made[0].listeners.verdict({ data: '{"power_up":"7"}' });
    assert.deepEqual(heard, [['verdict', { power_up: '7' }]]);
    FakeSource.made[0].readyState = 2;
    FakeSource.made[0].listeners.error();
    assert.deepEqual(states, [true, false]);
    assert.equal(FakeSource.made.length, 1, 'not at once');
    await until(() => FakeSource.made.length === 2, 'another one');
    FakeSource.made[1].listeners.open();
    assert.deepEqual(states, [true, false, true]);
    await until(() => FakeSource.made.length >= 3, 'given up and replaced');
    assert.deepEqual(states.slice(0, 4), [true, false, true, false], 'silence counts as lost');
  } finally {
    stream.close();
  }
});

await finish();
