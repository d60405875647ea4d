// SPDX-License-Identifier: GPL-3.0-or-later
//
// Rows of readings as the page keeps them, and thinning them for drawing. Pure.

// Times in s, rising; current in A and voltage in V, NaN for an invalid reading.
// Keeps the newest `keep` readings.
export class Readings {
  constructor(keep = 24000) {
    this.keep = keep;
    this.clear();
  }

  clear() {
    this.time_s = [];
    this.voltage_V = [];
    this.current_A = [];
  }

  get count() {
    return this.time_s.length;
  }

  get lastTime_s() {
    return this.count > 0 ? this.time_s[this.count - 1] : NaN;
  }

  // Readings that do not go on from the last one are left out (said twice after
  // a reconnection). Returns how many were taken.
  append(time_s, voltage_V, current_A, shift_s = 0) {
    let taken = 0;
    for (let i = 0; i < time_s.length; i++) {
      const time = time_s[i] - shift_s;
      if (this.count > 0 && !(time > this.lastTime_s)) continue;
      this.time_s.push(time);
      this.voltage_V.push(numberOrNaN(voltage_V[i]));
      this.current_A.push(numberOrNaN(current_A[i]));
      taken++;
    }
    // Dropped in quarters, so that a long run does not move its arrays each time.
    if (this.count > this.keep * 1.25) this.dropFirst(this.count - this.keep);
    return taken;
  }

  dropFirst(count) {
    this.time_s.splice(0, count);
    this.voltage_V.splice(0, count);
    this.current_A.splice(0, count);
  }

  // The index of the first reading at or after a time.
  from(time_s) {
    let low = 0;
    let high = this.count;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.time_s[middle] < time_s) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  // The last valid reading: {time_s, voltage_V, current_A}, or null.
  last() {
    for (let i = this.count - 1; i >= 0; i--) {
      if (!Number.isNaN(this.current_A[i])) {
        return {
          time_s: this.time_s[i], voltage_V: this.voltage_V[i], current_A: this.current_A[i],
        };
      }
    }
    return null;
  }
}

// For drawing between from_s and to_s on about `columns` columns: of each
// column the first, lowest, highest and last reading, in their order in time,
// so that no spike is lost. A gap of invalid readings stays a gap (null).
// Returns [times, currents].
export function thin(readings, from_s, to_s, columns) {
  const first = Math.max(0, readings.from(from_s) - 1);
  const end = Math.min(readings.count, readings.from(to_s) + 1);
  const times = [];
  const currents = [];
  if (end - first <= columns * 2) {
    for (let i = first; i < end; i++) put(readings, i, times, currents);
    return [times, currents];
  }
  const width_s = (to_s - from_s) / columns;
  let start = first;
  while (start < end) {
    const column = Math.floor((readings.time_s[start] - from_s) / width_s);
    let next = start + 1;
    while (next < end
      && Math.floor((readings.time_s[next] - from_s) / width_s) === column) next++;
    putColumn(readings, start, next, times, currents);
    start = next;
  }
  return [times, currents];
}

function putColumn(readings, start, end, times, currents) {
  const { current_A } = readings;
  let lowest = -1;
  let highest = -1;
  let gap = -1;
  for (let i = start; i < end; i++) {
    if (Number.isNaN(current_A[i])) {
      gap = i;
      continue;
    }
    if (lowest < 0 || current_A[i] < current_A[lowest]) lowest = i;
    if (highest < 0 || current_A[i] > current_A[highest]) highest = i;
  }
  const chosen = new Set([start, lowest, highest, gap, end - 1].filter((i) => i >= 0));
  for (const i of [...chosen].sort((a, b) => a - b)) put(readings, i, times, currents);
}

function put(readings, i, times, currents) {
  const value = readings.current_A[i];
  times.push(readings.time_s[i]);
  currents.push(Number.isNaN(value) ? null : value);
}

// The top of the current's axis: a round number above everything to be drawn.
export function roundTop(largest) {
  if (!(largest > 0)) return 0.1;
  const wanted = largest * 1.12;
  const power = 10 ** Math.floor(Math.log10(wanted));
  for (const step of [1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10]) {
    if (step * power >= wanted * 0.999999) return step * power;
  }
  return 10 * power;
}

function numberOrNaN(value) {
  return typeof value === 'number' ? value : NaN;
}
