// SPDX-License-Identifier: GPL-3.0-or-later
//
// An earlier power-up, laid over the bench's sheet as its carbon copy.

import { Problem } from '../lib/api.js';
import { Readings } from '../lib/readings.js';

export class Copy {
  constructor(ask, changed) {
    this.ask = ask;
    this.changed = changed;
    this.id = null; // the power-up laid out, or null
    this.detail = null; // {item, phases, run}, once it is here
    this.problem = '';
  }

  async lay(id) {
    this.id = id;
    this.detail = null;
    this.problem = '';
    this.changed();
    try {
      const { trace, signature, ...item } = await this.ask(`power-ups/${encodeURIComponent(id)}`);
      if (this.id !== id) return;
      const run = new Readings();
      const onset_s = item.onset_s ?? signature?.onset_s ?? 0;
      if (trace) run.append(trace.time_s, trace.voltage_V, trace.current_A, onset_s);
      this.detail = { item, phases: signature?.phases ?? [], run };
    } catch (problem) {
      if (!(problem instanceof Problem)) throw problem;
      if (this.id !== id) return;
      this.problem = problem.message;
    }
    this.changed();
  }

  clear() {
    if (this.id === null) return;
    this.id = null;
    this.detail = null;
    this.problem = '';
    this.changed();
  }
}
