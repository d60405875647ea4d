// SPDX-License-Identifier: GPL-3.0-or-later
//
// Invented module, reference and power-ups for the mock bench. The noise is a
// fixed sequence, so every run draws the same page.

export const TYPE = {
  id: '1', name: 'Reefer controller RC-4', nominal_voltage_V: 12, current_limit_A: 1.5, watch_s: 8,
  feeds: ['battery', 'ignition'], cautions: ['Fan output is live: keep the guard on'],
  reference_version: 3,
};

const LEVELS = [[0, 0.4, 0.095], [0.4, 1.9, 0.21], [1.9, 4.2, 0.34], [4.2, 8, 0.252]];

// Times from onset, level, of a healthy one.
export const GOOD_PHASES = LEVELS.map(([from_s, to_s, level_A]) => phase(from_s, to_s, level_A));
export const BAD_PHASES = [phase(0, 0.4, 0.094), phase(0.4, 1.9, 0.208), phase(1.9, 8, 0.171)];

export const GOOD = {
  verdict: 'good', final: true, decided_at_s: 5.12, onset_s: 0.5, final_draw_A: 0.2514,
  reasons: [],
};
export const BAD = {
  verdict: 'bad', final: true, decided_at_s: 2.08, onset_s: 0.5, final_draw_A: 0.171,
  reasons: [{
    code: 'stalled', phase: 2, measured_A: 0.171, low_A: 0.327, high_A: 0.353,
    text: 'settles at 0.171 A in phase 3 of 4 where this type draws 0.327 to 0.353 A; it stops '
      + 'there: the processor is likely not running',
    details: 'Common practice: measure the core rails, then reset, clock and bus activity.',
  }, {
    code: 'low_final', phase: 3, measured_A: 0.171, low_A: 0.243, high_A: 0.261,
    text: 'the final draw is 32 % under the type\u2019s', details: '',
  }],
};
export const UNSURE = {
  verdict: 'unsure', final: true, decided_at_s: 8, onset_s: 0.5, final_draw_A: 0.2395,
  reasons: [{
    code: 'cannot_resolve', phase: 3, measured_A: 0.2395, low_A: 0.243, high_A: 0.261,
    text: 'the final draw of 0.240 A lies within this supply\u2019s own uncertainty of the lower '
      + 'limit, 0.243 A: neither good nor bad can be said',
    details: 'A supply that resolves 1 mA, or two more power-ups of this unit, would settle it.',
  }],
};

export const REFERENCE = {
  id: '3', module_type: TYPE.name, version: 3, created_at: '2026-01-20T10:00:00Z', units: 4,
  power_ups: 16, range_only: false,
  reference: {
    format: { name: 'wakedraw reference', major: 1, minor: 0 }, module_type: TYPE.name,
    revision: null, set_up: null, version: 3, watch_s: 8, nominal_voltage_V: 12,
    taught_by: { units: 4, power_ups: 16, known_goods: [], stated_range_A: null },
    final: { expected_A: 0.252, low_A: 0.243, high_A: 0.261 },
    phases: LEVELS.map(([from_s, to_s, level_A], i) => ({
      kind: 'level', level_A: { expected: level_A, low: level_A * 0.962, high: level_A * 1.038 },
      duration_s: i === LEVELS.length - 1 ? null
        : { expected: to_s - from_s, low: (to_s - from_s) * 0.85, high: (to_s - from_s) * 1.15 },
    })),
    envelope: envelope(), claims: [],
  },
};

function phase(from_s, to_s, level_A) {
  return {
    from_s, to_s, level_A, kind: 'level', slope_A_per_s: 0, spread_A: 0.002,
    charge_C: level_A * (to_s - from_s), period_s: null,
  };
}

function envelope() {
  const time_s = [];
  const low_A = [];
  const high_A = [];
  for (let i = 0; i <= 160; i++) {
    const time = i * 0.05;
    const near = LEVELS.filter(([from_s, to_s]) => time >= from_s - 0.12 * (1 + from_s * 0.3)
      && time <= to_s + 0.12 * (1 + to_s * 0.3)).map(([, , level_A]) => level_A);
    time_s.push(time);
    low_A.push(Math.min(...near) * 0.94);
    high_A.push(Math.max(...near) * 1.06);
  }
  return { time_s, low_A, high_A };
}

// The reading at a time from onset: [voltage_V, current_A], rounded to 1 mA.
export function drawn(kind, time_s, step) {
  if (time_s < 0) return [0.01, 0];
  const noise = ((step * 7919) % 13 - 6) / 6 * 0.0025;
  const levels = kind === 'bad' ? [LEVELS[0], LEVELS[1], [1.9, 1e9, 0.171]]
    : LEVELS.map((level, i) => (kind === 'unsure' && i === 3 ? [4.2, 1e9, 0.2395] : level));
  const found = levels.find(([from_s, to_s]) => time_s >= from_s && time_s < to_s) ?? levels.at(-1);
  const inrush = time_s < 0.02 ? 0.9 : 0;
  const ripple = found[0] === 1.9 && kind !== 'bad' ? 0.008 * Math.sin(time_s * 21) : 0;
  return [12.01, Math.round((found[2] + noise + ripple + inrush) * 1000) / 1000];
}

// Readings of a whole run at hz, from from_s to to_s about the onset.
export function run(kind, from_s, to_s, hz) {
  const time_s = [];
  const voltage_V = [];
  const current_A = [];
  for (let step = Math.round(from_s * hz); step / hz < to_s; step++) {
    const [voltage, current] = drawn(kind, step / hz, step + 1000);
    time_s.push(step / hz);
    voltage_V.push(voltage);
    current_A.push(current);
  }
  return { time_s, voltage_V, current_A };
}

// A bench with its type, its reference and a few stored power-ups.
export function furnish(mock) {
  mock.types.push(TYPE);
  mock.references.push(REFERENCE);
  mock.addSupply('left', {
    module_type: TYPE.name, unit: 'RC4-0417', work_order: '2291', stage: 'intake',
    reference_version: 3,
  });
  mock.orders.addOrder(mock.orders.addUnit('RC4-0417', { module_type: TYPE.name }), {
    complaint: 'Compressor does not start after the boat lay up; display stays dark',
  });
  const past = [['good', GOOD, GOOD_PHASES], ['bad', BAD, BAD_PHASES], ['unsure', UNSURE, GOOD_PHASES],
    ['good', GOOD, GOOD_PHASES]];
  past.forEach(([kind, verdict, phases], i) => {
    const { time_s, voltage_V, current_A } = run(kind, -0.5, 8, 50);
    mock.powerUps.push({
      id: String(i + 1), supply: 'left',
      started_at: new Date(Date.now() - (past.length - i) * 540000).toISOString(),
      state: 'complete', module_type: TYPE.name, unit: `RC4-04${10 + i}`, work_order: '2290',
      stage: 'after repair', verdict, reference_version: 3, onset_s: 0.5, ended_why: 'output off',
      on_time_s: 31.5, readings: time_s.length, signature: { onset_s: 0.5, baseline_A: 0, phases },
      trace: { time_s: time_s.map((time) => time + 0.5), voltage_V, current_A },
    });
  });
  return mock;
}

// Sends a run's readings up to to_s in one go, in events of 0.05 s.
export function sendRun(mock, name, kind, onset_time_s, from_s, to_s, hz = 50) {
  for (let start = from_s; start < to_s - 1e-9; start += 0.05) {
    const piece = run(kind, start, Math.min(to_s, start + 0.05), hz);
    if (piece.time_s.length === 0) continue;
    mock.read(name, piece.time_s.map((time) => time + onset_time_s), piece.voltage_V, piece.current_A);
  }
}
