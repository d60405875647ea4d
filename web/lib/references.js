// SPDX-License-Identifier: GPL-3.0-or-later
//
// The references as the page needs them, fetched once each.

import { Problem } from './api.js';

const RETRY_MS = 5000;

export class References {
  // ask(path): a GET; changed(): something arrived.
  constructor(ask, changed) {
    this.ask = ask;
    this.changed = changed;
    this.known = new Map(); // "type\nversion" -> {state, reference}
  }

  // What there is for a type and version (null: it has none): {state: "asking" |
  // "there" | "none" | "failed", reference}.
  of(module_type, version) {
    if (!module_type || !version) return { state: 'none', reference: null };
    const key = `${module_type}\n${version}`;
    const known = this.known.get(key);
    if (known && !(known.state === 'failed' && performance.now() > known.again_ms)) return known;
    const entry = { state: 'asking', reference: null };
    this.known.set(key, entry);
    this.fetch(module_type, version, entry);
    return entry;
  }

  async fetch(module_type, version, entry) {
    try {
      const path = `references?module_type=${encodeURIComponent(module_type)}&limit=100`;
      const { items } = await this.ask(path);
      const item = items.find((each) => each.version === version);
      if (item) {
        const detail = await this.ask(`references/${encodeURIComponent(item.id)}`);
        entry.reference = detail.reference;
        entry.earliest = detail.earliest ?? [];
        entry.state = 'there';
      } else {
        entry.state = 'none';
      }
    } catch (problem) {
      if (!(problem instanceof Problem)) throw problem;
      entry.state = 'failed';
      entry.again_ms = performance.now() + RETRY_MS;
    }
    this.changed();
  }

  // After a reconnection: what was not there may be there now.
  forget() {
    for (const [key, entry] of this.known) if (entry.state === 'none') this.known.delete(key);
  }
}

// What the paper shows hatched: the envelope; where a range was only stated, that
// range at the end of the watch. Null: nothing is known.
export function envelopeOf(reference) {
  if (!reference) return null;
  if (reference.envelope.time_s.length > 1) return reference.envelope;
  const { low_A, high_A } = reference.final;
  const end_s = reference.watch_s;
  return { time_s: [end_s * 0.75, end_s], low_A: [low_A, low_A], high_A: [high_A, high_A] };
}

export function isRangeOnly(reference) {
  return Boolean(reference) && reference.phases.length === 0;
}
