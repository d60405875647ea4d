// SPDX-License-Identifier: GPL-3.0-or-later
//
// The mock bench's units, work orders and what is written on them, in the shapes of
// the contract.

export const STAGES = ['intake', 'heat check', 'after rework', 'after cleaning', 'after coating', 'final'];

class Refused extends Error {
  constructor(status, detail, field = null) {
    super(detail);
    this.answer = { type: 'about:blank', title: 'Refused', status, detail, ...(field ? { field } : {}) };
  }
}

export class MockOrders {
  constructor(mock) {
    this.mock = mock;
    this.settings = {
      stages: STAGES, warranty_days: 365, check_every_h: 24, resistors: [], check_standard: null,
      ask_after_min: 20, page_gone_s: 60, shop: { name: 'Harbour Lane', lines: [] },
    };
    this.units = [];
    this.orders = [];
    this.photos = new Map(); // id: bytes
    this.asked = []; // every write: [method, path, body]
    this.number = 0;
  }

  addUnit(serial, parts = {}) {
    const unit = {
      id: String(this.units.length + 1), serial, module_type: null, revision: null, set_up: null,
      created_at: new Date().toISOString(), warranty: null, shipped: null, ...parts,
    };
    this.units.push(unit);
    return unit;
  }

  addOrder(unit, parts = {}) {
    const order = {
      id: String(2291 + this.orders.length), unit: unit.serial, complaint: null, customer_reference: null,
      condition: null, cells: null, stages: this.settings.stages, stage: this.settings.stages[0],
      created_at: new Date().toISOString(), closed_at: null, found_cause: null, parts: null, hand: null,
      outcome: null, warranty_days: null, power_ups: 0, verdicts: {}, record: null, notes: [],
      meter_readings: [], photos: [], records: [], runs: [], ...parts,
    };
    this.orders.push(order);
    return order;
  }

  // The answer to an API call: [status, content], or null where it is not about these.
  async answer(method, parts, url, request) {
    const [kind, id, deed] = parts;
    if (method !== 'GET') this.asked.push([method, url.pathname.slice('/api/v1/'.length)]);
    try {
      if (kind === 'settings') return [200, this.settings];
      if (kind === 'units') return this.unitAnswer(id, url);
      if (kind === 'work-orders') return await this.orderAnswer(method, id, deed, url, request);
      if (kind === 'supplies' && deed === 'intake') return this.intake(id, await read(request));
      if (kind === 'supplies' && deed === 'on-bench' && parts[3] === 'confirm') return this.confirm(id);
      if (kind === 'power-ups' && deed === 'attachment') return this.attach(id, await read(request));
      if (deed === 'strike') return this.strike(kind, id, await read(request));
      return null;
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      return [error.answer.status, error.answer];
    }
  }

  unitItem(unit) {
    const open = this.orders.find((order) => order.unit === unit.serial && !order.closed_at);
    return { ...unit, open_work_order: open?.id ?? null };
  }

  unitAnswer(id, url) {
    if (!id) {
      const serial = url.searchParams.get('serial');
      return [200, {
        items: this.units.filter((unit) => serial === null || unit.serial === serial)
          .map((unit) => this.unitItem(unit)),
        next: null,
      }];
    }
    const unit = this.units.find((each) => each.id === id);
    if (!unit) throw new Refused(404, `no unit ${id}`);
    const orders = this.orders.filter((order) => order.unit === unit.serial).reverse();
    return [200, { ...this.unitItem(unit), work_orders: orders }];
  }

  async orderAnswer(method, id, deed, url, request) {
    const order = this.orders.find((each) => each.id === id);
    if (!order) {
      if (id) throw new Refused(404, `no work order ${id}`);
      return [200, { items: [...this.orders].reverse(), next: null }];
    }
    if (method === 'GET') return [200, order];
    if (deed === 'photos') {
      const bytes = await bytesOf(request);
      return [201, this.write(order, 'photos', {
        stage: url.searchParams.get('stage'), media_type: request.headers['content-type'],
        size_bytes: bytes.length, sha256: '', bytes,
      })];
    }
    const said = await read(request);
    if (method === 'PUT') return [200, Object.assign(order, said)];
    if (deed === 'notes') return [201, this.write(order, 'notes', said)];
    if (deed === 'meter-readings') return [201, this.write(order, 'meter_readings', said)];
    if (deed === 'close') return this.close(order, said);
    if (deed === 'reopen') {
      if (order.record) throw new Refused(409, 'a record of it exists');
      return [200, Object.assign(order, { closed_at: null, outcome: null })];
    }
    if (deed === 'record') return this.record(order, said);
    throw new Refused(404, `nothing called ${deed}`);
  }

  write(order, list, said) {
    const { bytes, ...item } = {
      id: String(++this.number), at: new Date().toISOString(), struck_at: null, struck_why: null, ...said,
    };
    if (bytes) this.photos.set(item.id, bytes);
    order[list].push(item);
    return item;
  }

  strike(kind, id, { why }) {
    const list = kind.replace('-', '_');
    for (const order of this.orders) {
      const item = order[list]?.find((each) => each.id === id);
      if (item) {
        return [200, Object.assign(item, { struck_at: new Date().toISOString(), struck_why: why })];
      }
    }
    throw new Refused(404, `no ${kind} ${id}`);
  }

  close(order, said) {
    if (!said.outcome) throw new Refused(422, 'an outcome is expected', 'outcome');
    if (!said.hand) throw new Refused(422, 'a hand is expected', 'hand');
    if (said.outcome === 'nothing found' && order.power_ups === 0) {
      throw new Refused(422, 'nothing found needs a decided power-up', 'outcome');
    }
    for (const [name, item] of this.mock.supplies) {
      if (item.work_order !== order.id) continue;
      Object.assign(item, { unit: null, work_order: null, stage: null, tag: null });
      this.mock.tell(name);
    }
    return [200, Object.assign(order, said, { closed_at: new Date().toISOString(), warranty_days: 365 })];
  }

  record(order, { hand }) {
    if (!order.closed_at) throw new Refused(409, 'the order is open');
    if (!hand) throw new Refused(422, 'a hand is expected', 'hand');
    const number = 1 + this.orders.reduce((count, each) => count + each.records.length, 0);
    const record = {
      id: String(number), number, sha256: 'ab'.repeat(32), previous_sha256: '0'.repeat(64),
      at: new Date().toISOString(), corrects: null,
    };
    order.records.push(record);
    order.record = record.id;
    return [201, record];
  }

  intake(name, said) {
    const supply = this.mock.supplies.get(name);
    const { serial, module_type, revision, set_up, ...about } = said;
    let unit = this.units.find((each) => each.serial === serial);
    const made_unit = !unit;
    if (made_unit) {
      if (!module_type) throw new Refused(422, `${serial} is not known: its module type is needed`, 'module_type');
      unit = this.addUnit(serial, { module_type, revision: revision ?? null, set_up: set_up ?? null });
    }
    let order = this.orders.find((each) => each.unit === serial && !each.closed_at);
    const made_work_order = !order;
    order ??= this.addOrder(unit, about);
    Object.assign(supply, {
      module_type: unit.module_type, unit: serial, work_order: order.id, stage: order.stage, tag: null,
      ask_unit: false,
    });
    this.mock.tell(name);
    return [200, { unit: this.unitItem(unit), work_order: order, made_unit, made_work_order, supply }];
  }

  // What PUT on-bench says of the order's stage.
  stageSaid({ work_order, stage }) {
    const order = this.orders.find((each) => each.id === work_order);
    if (order && stage) order.stage = stage;
  }

  confirm(name) {
    this.mock.tell(name, { ask_unit: false });
    return [200, this.mock.supplies.get(name)];
  }

  attach(id, said) {
    const item = this.mock.powerUps.find((each) => each.id === id);
    if (!item) throw new Refused(404, `no power-up ${id}`);
    if (!said.why) throw new Refused(422, 'why is expected', 'why');
    const rests = [item.work_order, said.work_order].some(
      (each) => this.orders.find((order) => order.id === each)?.record,
    );
    if (rests && !said.correct_record) {
      throw new Refused(409, 'a record rests on it: a correcting record is needed', 'correct_record');
    }
    const { unit, work_order, stage } = said;
    item.moves = [...item.moves ?? [], { from: item.unit, to: unit, why: said.why }];
    Object.assign(item, { unit, work_order, stage });
    const { trace, signature, ...answer } = item;
    return [200, answer];
  }
}

async function bytesOf(request) {
  const pieces = [];
  for await (const piece of request) pieces.push(piece);
  return Buffer.concat(pieces);
}

async function read(request) {
  const text = (await bytesOf(request)).toString('utf8');
  return text === '' ? {} : JSON.parse(text);
}
