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

  // What there is for a type and version (null: the newest): {state: "asking" |
  // "there" | "none" | "failed", reference}.
  of(module_type, version) {
    if (module_type === null || module_type === undefined) return { state: 'none', reference: null };
    const key = `${module_type}\n${version ?? ''}`;
    const known = this.known.get(key);
    if (known && !(known.state === 'failed' && performance.now() > known.again_ms)) return known;
    const entry = { state: 'asking', reference: null };
    this.known.set(key, entry);
    this.fetch(module_type, version, entry);
    return entry;
  }

  async fetch(module_type, version, entry) {
    try {
      const limit = version === null ? 1 : 100;
      const path = `references?module_type=${encodeURIComponent(module_type)}&limit=${limit}`;
      const { items } = await this.ask(path);
      const item = version === null ? items[0] : items.find((each) => each.version === version);
      if (item) {
        const detail = await this.ask(`references/${encodeURIComponent(item.id)}`);
        entry.reference = detail.reference;
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

  // A newer reference may have come: what was not there, or was the newest, is
  // asked again.
  forget() {
    for (const [key, entry] of this.known) {
      if (key.endsWith('\n') || entry.state === 'none') this.known.delete(key);
    }
  }
}
