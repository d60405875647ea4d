// SPDX-License-Identifier: GPL-3.0-or-later
//
// What the page knows about one supply, from the events it heard: the readings,
// the power-up that is on now, the earlier ones, and how things stand. Pure:
// the time is handed in (now_ms, of any steady clock).

import { Readings } from './readings.js';

export const STALE_AFTER_MS = 2000;
export const BEFORE_ONSET_S = 0.5;
const STRIP_LENGTH = 12;
const UNKEPT = 'not kept'; // stands for the id of a power-up that got none from the store

export class SupplyWatch {
  constructor(name) {
    this.name = name;
    this.item = null; // as GET supplies tells it
    this.recent = new Readings(); // on the supply's running clock
    this.freshAt_ms = NaN; // when the last valid reading was heard
    this.current = null; // the power-up that is on
    this.strip = []; // power-up items, newest first
    this.early = new Map(); // verdicts heard before their power-up
    this.idleAt_ms = null; // since when the supply has said that none is open
  }

  // Returns the id of a power-up that the supply has left behind without the
  // page hearing its end, else null.
  hearSupply(item, now_ms) {
    this.item = item;
    if (typeof item.age_s === 'number') {
      const at = now_ms - item.age_s * 1000;
      if (!(this.freshAt_ms >= at)) this.freshAt_ms = at;
    }
    if (item.power_up !== null || this.current === null) this.idleAt_ms = null;
    else this.idleAt_ms ??= now_ms;
    // One supply event may overtake a power-up's beginning; a second one does not.
    return this.idleAt_ms !== null && now_ms - this.idleAt_ms > 800 ? this.current.id : null;
  }

  // Returns the id of a power-up that is not known yet, else null.
  hearReading(event, now_ms) {
    const { time_s, voltage_V, current_A } = event;
    if (time_s.length === 0) return null;
    // A clock that went back is another run of the bench.
    if (time_s[time_s.length - 1] < this.recent.lastTime_s - 1) {
      this.recent.clear();
      this.current = null;
    }
    this.recent.append(time_s, voltage_V, current_A);
    if (current_A.some((value) => value !== null)) this.freshAt_ms = now_ms;
    if (this.current !== null) {
      if (this.current.onset_time_s === null) this.placeOnset(this.guessOnset());
      else this.current.run.append(time_s, voltage_V, current_A, this.current.onset_time_s);
    }
    const id = event.power_up ?? null;
    return id === null || id === this.current?.id || this.isOver(id) ? null : id;
  }

  // Returns the id of a power-up whose trace has a hole here and is whole in the
  // store now, else null.
  hearPowerUp(event) {
    const item = { ...event.power_up, id: event.power_up.id ?? UNKEPT };
    const known = this.current?.id === item.id;
    if (!hasEnded(item) && this.isOver(item.id)) return null; // said again after a reconnection
    this.remember(item);
    if (hasEnded(item)) {
      if (known) this.current = null;
      return null;
    }
    if (!known) this.begin(item);
    const current = this.current;
    current.item = item;
    current.watch_s = event.watch_s ?? current.watch_s;
    if (event.signature) current.phases = event.signature.phases ?? current.phases;
    if (item.verdict && current.verdict === null) current.verdict = item.verdict;
    if (item.verdict && item.state !== 'open') current.kept = item.id !== UNKEPT;
    if (current.onset_time_s === null) this.placeOnset(event.onset_time_s ?? null);
    return current.whole || item.state === 'open' ? null : item.id;
  }

  // A power-up that was on before the page was: as GET power-ups/ID tells it.
  // over: the supply no longer counts it as on.
  adopt(detail, over = false) {
    const { trace, signature, ...item } = detail;
    if (!hasEnded(item) && this.isOver(item.id)) return;
    this.remember(item);
    if (over || hasEnded(item)) {
      if (this.current?.id === item.id) this.current = null;
      return;
    }
    if (this.current?.id !== item.id) this.begin(item);
    const current = this.current;
    current.item = item;
    current.whole = item.state !== 'open';
    if (signature?.phases && current.phases.length === 0) current.phases = signature.phases;
    if (item.verdict && current.verdict === null) {
      current.verdict = item.verdict;
      current.kept = true;
    }
    const onset_s = item.onset_s ?? signature?.onset_s ?? null;
    if (trace && onset_s !== null && trace.time_s.length > 0) {
      const later = current.run;
      current.run = new Readings();
      current.run.append(trace.time_s, trace.voltage_V, trace.current_A, onset_s);
      current.run.append(later.time_s, later.voltage_V, later.current_A);
    }
    if (current.onset_time_s === null) this.placeOnset(this.guessOnset());
  }

  // Returns true when it is about the power-up that is on now.
  hearVerdict(event) {
    const id = event.power_up ?? UNKEPT;
    const item = this.strip.find((each) => each.id === id);
    if (item) item.verdict = event.verdict;
    if (this.current?.id !== id) {
      if (!item) this.early.set(id, event);
      return false;
    }
    this.takeVerdict(event);
    return true;
  }

  takeVerdict(event) {
    const current = this.current;
    current.verdict = event.verdict;
    current.kept = event.kept;
    current.judging_s = event.judging_s ?? null;
    current.commit_s = event.commit_s ?? null;
    if (event.phases) current.phases = event.phases;
    if (event.reference_version) current.item.reference_version = event.reference_version;
  }

  // The strip as the store tells it; what was heard meanwhile stays.
  takeStrip(items) {
    const heard = new Map(this.strip.map((item) => [item.id, item]));
    for (const item of items) {
      const mine = heard.get(item.id);
      if (!mine || (hasEnded(item) && !hasEnded(mine))) heard.set(item.id, item);
    }
    this.strip = [...heard.values()].sort((a, b) => compareIds(b.id, a.id))
      .slice(0, STRIP_LENGTH);
  }

  // The power-up that was last on and is over, or null.
  get last() {
    return this.strip.find((item) => item.id !== this.current?.id) ?? null;
  }

  get onFor_s() {
    if (!this.current || this.current.onset_time_s === null) return null;
    return Math.max(0, this.recent.lastTime_s - this.current.onset_time_s);
  }

  // How things stand. streamOpen: is the live stream there.
  // "lost", "unheard", "gone", "opening", "stale", "judged", "watching", "waiting"
  standing(now_ms, streamOpen) {
    if (!streamOpen) return 'lost';
    if (this.item === null) return 'unheard';
    if (this.item.state === 'gone') return 'gone';
    if (this.item.state === 'opening') return 'opening';
    // What is read while an output is looked at is not told.
    const fresh = now_ms - this.freshAt_ms <= STALE_AFTER_MS || Boolean(this.item.output_doing);
    if (!fresh) return 'stale';
    if (this.current === null) return 'waiting';
    return this.current.verdict === null ? 'watching' : 'judged';
  }

  begin(item) {
    this.current = {
      id: item.id,
      item,
      onset_time_s: null,
      watch_s: 30,
      run: new Readings(), // time from onset
      whole: true, // nothing of it was missed
      phases: [],
      verdict: null,
      kept: false,
      judging_s: null,
      commit_s: null,
    };
    const verdict = this.early.get(item.id);
    if (verdict) {
      this.takeVerdict(verdict);
      item.verdict = verdict.verdict;
    }
    this.early.clear();
  }

  placeOnset(onset_time_s) {
    const current = this.current;
    if (onset_time_s === null || !Number.isFinite(onset_time_s)) return;
    current.onset_time_s = onset_time_s;
    const recent = this.recent;
    const first = recent.from(onset_time_s - BEFORE_ONSET_S);
    current.run.append(recent.time_s.slice(first), recent.voltage_V.slice(first),
      recent.current_A.slice(first), onset_time_s);
  }

  // The onset on the running clock, for a power-up that began before the page
  // did: what the supply's item says, else reckoned from the wall clock (within
  // about one reading).
  guessOnset() {
    const item = this.item;
    if (item === null) return null;
    if (item.power_up === this.current.id && typeof item.onset_time_s === 'number') {
      return item.onset_time_s;
    }
    const started = Date.parse(this.current.item.started_at);
    const read = Date.parse(item.last_reading_at);
    if (Number.isNaN(started) || Number.isNaN(read) || this.recent.count === 0) return null;
    return this.recent.lastTime_s - (read - started) / 1000;
  }

  isOver(id) {
    const item = this.strip.find((each) => each.id === id);
    return item !== undefined && hasEnded(item);
  }

  remember(item) {
    const kept = this.strip.findIndex((each) => each.id === item.id);
    const verdict = kept >= 0 ? this.strip[kept].verdict : null;
    const entry = { ...item, verdict: item.verdict ?? verdict };
    if (kept >= 0) this.strip[kept] = entry;
    else this.takeStrip([entry]);
  }
}

// The module is off again (or was lost): its verdict is history.
export function hasEnded(item) {
  return typeof item.ended_why === 'string' || item.state === 'incomplete';
}

// When it ended, in milliseconds of wall time; NaN where not known.
export function endedAt_ms(item) {
  if (typeof item.on_time_s !== 'number') return NaN;
  return Date.parse(item.started_at) + item.on_time_s * 1000;
}

function compareIds(a, b) {
  return a.length - b.length || (a < b ? -1 : a > b ? 1 : 0);
}
