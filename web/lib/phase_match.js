// SPDX-License-Identifier: GPL-3.0-or-later
//
// Which phase of a type each phase of a power-up is, for the table and the
// trace's numbers only; the verdict does not rest on it. Pure.
//
// The order is kept; a phase of the power-up may be none of the type's (an
// inrush, a restart), or a further part of the one before it. The cheapest such
// assignment is found by dynamic programming.

const SKIP_FOUND = 1.2; // for one of 0.2 s or longer
const SKIP_EXPECTED = 0.6;
const FURTHER_PART = 0.3;
const SHORT_S = 0.2;

// found: [{from_s, to_s, level_A}]; expected: a reference's phases. For each of
// found the index among expected, or -1.
export function matchPhases(found, expected) {
  const starts_s = startsOf(expected);
  const most = expected.length;
  // best[j]: the cheapest way so far whose last match is expected[j - 1]; 0: none yet.
  let best = [{ cost: 0, path: [] }, ...Array.from({ length: most }, () => null)];
  for (const phase of found) {
    const next = best.map((way) => way && {
      cost: way.cost + SKIP_FOUND * Math.min(1, (phase.to_s - phase.from_s) / SHORT_S),
      path: [...way.path, -1],
    });
    best.forEach((way, j) => {
      if (!way) return;
      for (let k = Math.max(j, 1); k <= most; k++) {
        const further = k === j;
        const cost = way.cost + levelMiss(phase, expected[k - 1]) + (further ? FURTHER_PART
          : timeMiss(phase, expected[k - 1], starts_s[k - 1]) + SKIP_EXPECTED * (k - j - 1));
        if (!next[k] || cost < next[k].cost) next[k] = { cost, path: [...way.path, k - 1] };
      }
    });
    best = next;
  }
  return best.filter(Boolean).reduce((one, other) => (other.cost < one.cost ? other : one)).path;
}

function startsOf(expected) {
  let at_s = 0;
  return expected.map((phase) => {
    const start_s = at_s;
    at_s += phase.duration_s?.expected ?? 0;
    return start_s;
  });
}

// 0 within the limits, 1 from about half their width beyond them: what begins in
// its time is that phase, however far off it draws.
function levelMiss(phase, { level_A: { expected, low, high } }) {
  const beyond = Math.max(low - phase.level_A, phase.level_A - high, 0);
  return Math.min(1, beyond / (0.5 * (high - low) + 0.05 * Math.abs(expected) + 1e-6));
}

function timeMiss(phase, { duration_s }, start_s) {
  const away_s = Math.abs(phase.from_s - start_s);
  return 0.25 * Math.min(2, away_s / (0.25 * (duration_s?.expected ?? 1) + 0.2));
}

// The rows of a table: {number, found or null, expected or null}, in order.
export function phaseRows(found, expected) {
  if (!expected || expected.length === 0) {
    return found.map((phase, i) => ({ number: i + 1, found: phase, expected: null }));
  }
  const match = matchPhases(found, expected);
  const rows = [];
  let awaited = 0;
  found.forEach((phase, i) => {
    const index = match[i];
    for (; awaited < index; awaited++) {
      rows.push({ number: awaited + 1, found: null, expected: expected[awaited] });
    }
    awaited = Math.max(awaited, index + 1);
    rows.push({
      number: index < 0 ? null : index + 1, found: phase,
      expected: index < 0 ? null : expected[index],
    });
  });
  for (; awaited < expected.length; awaited++) {
    rows.push({ number: awaited + 1, found: null, expected: expected[awaited] });
  }
  return rows;
}
