// SPDX-License-Identifier: GPL-3.0-or-later
//
// The work order on the bench, its unit, and what the shop has set, as the bench
// tells them. Asked again every few seconds: another tablet may write on the same
// order.

import { Problem } from './api.js';

const AGAIN_MS = 4000;
export const STAGES = ['intake', 'heat check', 'after rework', 'after cleaning', 'after coating', 'final'];

export class OrderWatch {
  // ask(path): a GET; changed(): something arrived.
  constructor(ask, changed) {
    this.ask = ask;
    this.changed = changed;
    this.settings = { stages: STAGES };
    this.serial = null;
    this.order_id = null;
    this.unit = null; // as GET units/ID tells it, or null
    this.order = null; // as GET work-orders/ID tells it, or null
    this.problem = ''; // why they could not be had
    this.asked_ms = -Infinity;
    this.asking = 0;
  }

  // What is on the bench; now_ms of any steady clock.
  follow(item, now_ms) {
    const serial = item?.unit ?? null;
    const order_id = item?.work_order ?? null;
    if (serial !== this.serial || order_id !== this.order_id) {
      if (serial !== this.serial) this.unit = null;
      if (order_id !== this.order_id) this.order = null;
      Object.assign(this, { serial, order_id, problem: '', asked_ms: -Infinity });
    }
    if (now_ms - this.asked_ms < AGAIN_MS || (serial === null && order_id === null)) return;
    this.asked_ms = now_ms;
    this.fetch();
  }

  // Something was written: ask at once.
  async touch() {
    await this.fetch();
  }

  async fetch() {
    const { serial, order_id } = this;
    const mine = ++this.asking;
    const current = () => mine === this.asking && serial === this.serial && order_id === this.order_id;
    try {
      const order = order_id === null ? null
        : await this.ask(`work-orders/${encodeURIComponent(order_id)}`);
      const unit = await this.fetchUnit(serial);
      if (!current()) return;
      Object.assign(this, { order, unit, problem: '' });
    } catch (problem) {
      if (!(problem instanceof Problem)) throw problem;
      if (!current()) return;
      this.problem = problem.message;
    }
    this.changed();
  }

  async fetchUnit(serial) {
    if (serial === null) return null;
    const { items } = await this.ask(`units?serial=${encodeURIComponent(serial)}&limit=1`);
    if (items.length === 0) return null;
    return this.ask(`units/${encodeURIComponent(items[0].id)}`);
  }

  async fetchSettings() {
    try {
      this.settings = await this.ask('settings');
    } catch (problem) {
      if (!(problem instanceof Problem)) throw problem;
    }
    this.changed();
  }

  get stages() {
    const { order, settings } = this;
    return order?.stages?.length > 0 ? order.stages : settings.stages;
  }
}

// Is a cell said to be on the board?
export function hasCell(order) {
  const cells = order?.cells?.trim() ?? '';
  return cells !== '' && !/^(no|none|without)\b/i.test(cells);
}

export function isHeat(stage, tag) {
  return tag === 'heat' || /\bheat\b/i.test(stage ?? '');
}

// The power-ups, by what they were judged at a stage: "2 good, 1 bad"; "" where none.
export function verdictsAt(order, stage) {
  const counts = order?.verdicts?.[stage] ?? {};
  return ['good', 'bad', 'unsure'].filter((each) => counts[each] > 0)
    .map((each) => `${counts[each]} ${each}`).join(', ');
}

// A reading as a hand writes it: "4.7", "4,7", "4.7k", "2M"; NaN where it is none.
export function figureOf(text) {
  const found = /^\s*([+-]?\d+(?:[.,]\d+)?|[+-]?[.,]\d+)\s*([kKMmµu]?)\s*$/.exec(text);
  if (!found) return NaN;
  const scale = { '': 1, k: 1e3, K: 1e3, M: 1e6, m: 1e-3, µ: 1e-6, u: 1e-6 }[found[2]];
  return Number(found[1].replace(',', '.')) * scale;
}
