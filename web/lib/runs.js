// SPDX-License-Identifier: GPL-3.0-or-later
//
// The runs of the supplies (a unit powered up again and again), as the live stream
// tells them, and what a run that is over comes to.

import { Problem } from './api.js';
import { counted, duration } from './words.js';

const PUT_AWAY_KEY = 'bench.run_put_away'; // the newest run that was read and put away

export class RunWatch {
  // ask(path): a GET; changed(): something arrived.
  constructor(ask, changed) {
    this.ask = ask;
    this.changed = changed;
    this.runs = new Map(); // by supply: the run, with heard_ms
    this.asking = new Set(); // ids
  }

  // A `run` event; now_ms of any steady clock.
  hear(run, now_ms) {
    this.runs.set(run.supply, { ...run, heard_ms: now_ms });
    // What it comes to is asked for once its last power-up is through.
    if (run.ended_at) this.fetch(run.id, now_ms);
    this.changed();
  }

  // item: the supply's; last: its newest power-up, or null. A run the page did not
  // hear is asked for: the one that goes on, or that the newest power-up was of.
  follow(item, last, now_ms) {
    const id = item?.run ?? last?.run ?? null;
    const known = this.runs.get(item?.name);
    if (id === null || known?.id === id || isOlder(id, known?.id) || this.asking.has(id)) return;
    this.fetch(id, now_ms);
  }

  // The run to be shown for a supply, or null.
  of(name) {
    const run = this.runs.get(name) ?? null;
    return run && run.ended_at && run.id === localStorage.getItem(PUT_AWAY_KEY) ? null : run;
  }

  putAway(run) {
    localStorage.setItem(PUT_AWAY_KEY, run.id);
    this.changed();
  }

  async fetch(id, now_ms) {
    this.asking.add(id);
    try {
      const run = await this.ask(`runs/${encodeURIComponent(id)}`);
      const known = this.runs.get(run.supply);
      if (!isOlder(id, known?.id)) this.runs.set(run.supply, { ...run, heard_ms: now_ms });
    } catch (problem) {
      if (!(problem instanceof Problem)) throw problem;
    }
    this.asking.delete(id);
    this.changed();
  }
}

function isOlder(id, than) {
  return than !== undefined && Number(id) < Number(than);
}

// What is left of it, in seconds; null: not known.
export function leftOf(run, now_ms) {
  if (typeof run.left_s !== 'number') return null;
  return Math.max(0, run.left_s - (now_ms - run.heard_ms) / 1000);
}

// How long so many will take; null: not known. watch_s: the type's, or null.
export function wholeOf({ wanted, off_s, on_s }, watch_s) {
  const on = Math.max(on_s ?? 0, watch_s ?? 0);
  if (!(on > 0) || !(wanted > 0) || !(off_s > 0)) return null;
  return wanted * (off_s + on + 1); // a second to switch, and to wake
}

// "4 good, 1 bad"
export function countsOf(run) {
  const parts = ['good', 'bad', 'unsure'].filter((each) => run[each] > 0)
    .map((each) => `${run[each]} ${each}`);
  return parts.length > 0 ? parts.join(', ') : 'none judged yet';
}

export function progressOf(run, now_ms) {
  const left_s = leftOf(run, now_ms);
  const left = left_s === null ? '' : `, about ${rounded(left_s)} left`;
  return `${run.done} of ${counted(run.wanted, 'power-up')}: ${countsOf(run)}${left}`;
}

// About: no seconds in minutes, no minutes in hours' tenths.
export function rounded(seconds) {
  if (seconds < 90) return duration(Math.ceil(seconds / 5) * 5).replace('.0', '');
  if (seconds < 5400) return `${Math.round(seconds / 60)} min`;
  return `${(seconds / 3600).toFixed(1)} h`;
}

// What a run that is over comes to, in sentences.
export function resultOf(run) {
  const made = [`Over, ${run.ended_why}: ${counted(run.done, 'power-up')}, ${countsOf(run)}.`];
  const { result } = run;
  if (!result) return made;
  const [reason] = result.reasons;
  if (result.verdict !== 'good' && reason && run.done > 0) made.push(sentence(reason.text));
  if (result.failure_rate) made.push(sentence(result.failure_rate.text));
  return made;
}

function sentence(text) {
  const begun = text[0].toUpperCase() + text.slice(1);
  return /[.!?]$/.test(begun) ? begun : `${begun}.`;
}
