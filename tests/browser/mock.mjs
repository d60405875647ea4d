// SPDX-License-Identifier: GPL-3.0-or-later
//
// A bench of paper for the page's tests: the HTTP interface and the live stream
// in the shapes of the contract, driven by the test, so that stale, gone, late
// and restarted can be had at will. play.mjs plays it for the eye.

import { readFile } from 'node:fs/promises';
import { createServer } from 'node:http';
import { extname, join, normalize } from 'node:path';
import { fileURLToPath } from 'node:url';

import { MockOrders } from './mock_orders.mjs';

const WEB = fileURLToPath(new URL('../../web/', import.meta.url));
const KINDS = {
  '.html': 'text/html; charset=utf-8', '.js': 'text/javascript; charset=utf-8',
  '.css': 'text/css; charset=utf-8', '.svg': 'image/svg+xml', '.png': 'image/png',
  '.webmanifest': 'application/manifest+json',
};
export const POLICY = "default-src 'self'";

export class MockBench {
  constructor() {
    this.supplies = new Map();
    this.types = [];
    this.references = [];
    this.powerUps = [];
    this.orders = new MockOrders(this);
    this.puts = []; // what PUT on-bench brought
    this.refusal = null; // the next PUT's problem
    this.switching = null; // async (name, said, mock): what an On does before it is answered
    this.arrived = []; // every PUT of an output: {name, on, at_ms}
    this.hanging = []; // answers that never come, of GET api/v1/hang
    this.mute = false; // an Off is not answered
    this.log = []; // of the outputs, oldest first
    this.pages = []; // the token each stream was asked for with
    this.streams = new Set();
    this.last = new Map(); // what was read last, by supply
    this.going = new Map(); // timers that read on, by supply
    this.eventId = 0;
    this.clock_s = 1000;
    this.port = 0;
    this.heartbeats = true;
    this.refuseStreams = 0; // so many are answered 503
    this.opened = 0; // streams so far
    this.lastAuthorization = null;
  }

  // --- the server ---

  async start(port = this.port) {
    this.server = createServer((request, response) => this.answer(request, response));
    await new Promise((resolve, reject) => {
      this.server.once('error', reject);
      this.server.listen(port, '127.0.0.1', resolve);
    });
    this.port = this.server.address().port;
    this.beat = setInterval(() => {
      if (this.heartbeats) this.send('heartbeat', { at: new Date().toISOString() });
    }, 2000);
    return this;
  }

  get url() {
    return `http://127.0.0.1:${this.port}/`;
  }

  // Ends at once, streams and all, as a killed process would.
  async stop() {
    clearInterval(this.beat);
    for (const timer of this.going.values()) clearInterval(timer);
    for (const stream of this.streams) stream.destroy();
    this.streams.clear();
    this.server.closeAllConnections();
    await new Promise((resolve) => this.server.close(resolve));
  }

  async answer(request, response) {
    const url = new URL(request.url, this.url);
    response.setHeader('Content-Security-Policy', POLICY);
    try {
      if (!url.pathname.startsWith('/api/v1/')) await this.file(url.pathname, response);
      else await this.api(request, url, response);
    } catch (error) {
      json(response, 500, { title: 'mock', status: 500, detail: error.stack });
    }
  }

  async file(path, response) {
    const inside = normalize(path === '/' ? '/index.html' : path)
      .replace(/^\/vendor\/uplot\//, '/node_modules/uplot/dist/');
    let content;
    try {
      content = await readFile(join(WEB, inside));
    } catch (error) {
      if (error.code !== 'ENOENT' && error.code !== 'EISDIR') throw error;
      response.writeHead(404).end();
      return;
    }
    response.writeHead(200, {
      'Content-Type': KINDS[extname(inside)] ?? 'application/octet-stream',
      'Cache-Control': 'no-store',
    });
    response.end(content);
  }

  async api(request, url, response) {
    const [kind, id, deed] = url.pathname.slice('/api/v1/'.length).split('/').map(decodeURIComponent);
    const limit = Number(url.searchParams.get('limit') ?? 50);
    const list = (items) => json(response, 200, { items: items.slice(0, limit), next: null });
    if (kind === 'live') return this.stream(response, url.searchParams.get('page'));
    if (kind === 'hang') return this.hanging.push(response);
    const parts = url.pathname.slice('/api/v1/'.length).split('/').map(decodeURIComponent);
    const ordered = await this.orders.answer(request.method, parts, url, request);
    if (ordered) return json(response, ...ordered);
    if (kind === 'supplies' && deed === 'on-bench') return this.putOnBench(request, id, response);
    if (kind === 'supplies' && deed === 'output') return this.putOutput(request, id, response);
    if (kind === 'supplies' && deed === 'hold') return this.putHold(request, id, response);
    if (kind === 'supplies' && deed === 'checks') {
      return json(response, 200, { state: 'never', due_at: null, items: [], charts: [], findings: [] });
    }
    if (kind === 'output-log') return this.outputLog(url, limit, response);
    if (kind === 'supplies') return list([...this.supplies.values()]);
    if (kind === 'health') return json(response, 200, { status: 'ok', name: 'Harbour Lane', version: '0.1.0', simulated: this.simulated === true });
    if (kind === 'module-types' && request.method === 'POST') {
      const said = await body(request);
      const known = this.types.find((each) => each.name === said.name);
      if (known) return json(response, 200, Object.assign(known, said));
      const type = { id: String(this.types.length + 1), feeds: [], cautions: [], ...said };
      this.types.push(type);
      return json(response, 201, type);
    }
    if (kind === 'module-types') return list(this.types);
    if (kind === 'references') {
      if (id) return one(response, this.references, id);
      const type = url.searchParams.get('module_type');
      return list(this.references.filter((each) => each.module_type === type)
        .map(({ reference, ...item }) => item));
    }
    if (kind === 'power-ups' && deed === 'on-time') {
      return json(response, 200, { time_s: [], voltage_V: [], current_A: [], drops: [] });
    }
    if (kind === 'power-ups') {
      if (id) return one(response, this.powerUps, id);
      return list(this.powerUps.map(({ trace, signature, ...item }) => item).reverse());
    }
    return json(response, 404, { title: 'Not found', status: 404 });
  }

  async putOnBench(request, name, response) {
    this.lastAuthorization = request.headers.authorization ?? null;
    const said = await body(request);
    if (this.refusal) {
      const refusal = this.refusal;
      this.refusal = null;
      return json(response, refusal.status, refusal);
    }
    this.puts.push({ name, said });
    Object.assign(this.supplies.get(name), said, { ask_unit: false });
    this.orders.stageSaid(said);
    json(response, 200, this.supplies.get(name));
    return this.tell(name);
  }

  async putOutput(request, name, response) {
    const at_ms = Date.now();
    const said = await body(request);
    this.arrived.push({ name, on: said.on, at_ms });
    if (!said.on && this.mute) return this.hanging.push(response);
    const item = this.supplies.get(name);
    const refusal = this.refusal ?? (said.on && item.hold
      ? { status: 409, title: 'Held', detail: 'the memory of the unit is being read or written' } : null);
    this.refusal = null;
    if (refusal) return json(response, refusal.status, refusal);
    this.puts.push({ name, said });
    const refused = said.on ? await this.switching?.(name, said, this) ?? null : null;
    if (refused) return json(response, refused.status, refused);
    this.happened(name, {
      what: said.on ? 'on' : 'off', who: 'page', hand: said.hand ?? null, voltage_V: item.voltage_set_V,
      limit_A: item.limit_set_A,
    });
    Object.assign(item, { output_on: said.on, output_doing: null, off_wanted: false, output_ours: said.on });
    json(response, 200, item);
    return this.tell(name);
  }

  async putHold(request, name, response) {
    const said = await body(request);
    if (this.refusal) {
      const { refusal } = this;
      this.refusal = null;
      return json(response, refusal.status, refusal);
    }
    const at = new Date().toISOString();
    this.supplies.get(name).hold = said.on ? { since: at, unit: this.supplies.get(name).unit, hand: said.hand ?? null, why: said.why ?? null } : null;
    this.puts.push({ name, said });
    this.happened(name, { what: said.on ? 'held' : 'hold over', who: 'page', hand: said.hand ?? null, why: said.why ?? null }, {});
    json(response, 200, this.supplies.get(name));
    return this.tell(name);
  }

  // A line of the log of outputs, and what the supply's item says of it.
  happened(name, line, parts = null) {
    const made = {
      id: String(this.log.length + 1), supply: name, at: new Date().toISOString(), what: 'set', who: null,
      hand: null, why: null, voltage_V: null, limit_A: null, problem: null, ...line,
    };
    this.log.push(made);
    Object.assign(this.supplies.get(name), parts ?? {
      output_last: made.what, output_by: made.who, output_hand: made.hand, output_why: made.why,
      output_at: made.at, output_problem: made.problem,
    });
  }

  outputLog(url, limit, response) {
    const supply = url.searchParams.get('supply');
    const before = Number(url.searchParams.get('before') ?? Infinity);
    const found = this.log.filter((each) => (supply === null || each.supply === supply) && Number(each.id) < before)
      .reverse();
    const items = found.slice(0, limit);
    return json(response, 200, { items, next: found.length > limit ? items.at(-1).id : null });
  }

  stream(response, page) {
    if (this.refuseStreams > 0) {
      this.refuseStreams--;
      return json(response, 503, { title: 'Busy', status: 503 });
    }
    this.opened++;
    this.pages.push(page);
    response.writeHead(200, { 'Content-Type': 'text/event-stream', 'Cache-Control': 'no-store' });
    response.write('retry: 500\n\n');
    this.streams.add(response);
    response.on('close', () => this.streams.delete(response));
    for (const item of this.supplies.values()) {
      response.write(`event: supply\ndata: ${JSON.stringify(item)}\n\n`);
    }
    response.write(`event: heartbeat\ndata: ${JSON.stringify({ at: new Date().toISOString() })}\n\n`);
    return undefined;
  }

  send(name, data) {
    this.eventId++;
    for (const stream of this.streams) {
      stream.write(`id: ${this.eventId}\nevent: ${name}\ndata: ${JSON.stringify(data)}\n\n`);
    }
  }

  // --- what happens on it ---

  addSupply(name, parts = {}) {
    this.supplies.set(name, {
      name, link: 'tcp:127.0.0.1:5025', profile: 'scpi', output: 1, control: false,
      state: 'reading', problem: null, identity: 'Harbour Lane,HL-30,0007,1.2', module_type: null,
      unit: null, work_order: null, stage: null, tag: null, ask_unit: false, voltage_V: 0, current_A: 0,
      voltage_set_V: 12, limit_set_A: 1.5, output_on: false,
      limited: false, last_reading_at: new Date().toISOString(), age_s: 0.01, rate_hz: 48.7,
      limit_hz: 50, limit_why: '3.1 ms a round trip; the supply converts 50 times a second', conversion_hz: 50,
      jitter_s: 0.0008, longest_gap_s: 0.031, gaps: 0, repeats: 0, timeouts: 0, garbled: 0,
      resynchronised: 0, dropped: 0, power_up: null, reference_version: null, judging_s: null,
      commit_s: null, output_doing: null, output_by: null, output_hand: null, output_why: null, output_at: null,
      output_last: null, output_ours: false, off_wanted: false, output_problem: null, settings_by_hand: false,
      hold: null, low_latency: null, usb_serial: null, limit_computed_hz: 50, limit_share: 0.97, ...parts,
    });
  }

  tell(name, parts = {}) {
    Object.assign(this.supplies.get(name), parts);
    this.send('supply', this.supplies.get(name));
  }

  read(name, time_s, voltage_V, current_A) {
    const item = this.supplies.get(name);
    this.last.set(name, {
      time_s: time_s.at(-1), voltage_V: voltage_V.at(-1), current_A: current_A.at(-1),
    });
    item.last_reading_at = new Date().toISOString();
    item.age_s = 0;
    item.voltage_V = voltage_V.at(-1);
    item.current_A = current_A.at(-1);
    this.send('reading', { supply: name, power_up: item.power_up, time_s, voltage_V, current_A });
    const open = this.powerUps.find((each) => each.id === item.power_up);
    if (!open) return;
    open.trace.time_s.push(...time_s.map((time) => time - open.mock_start_s));
    open.trace.voltage_V.push(...voltage_V);
    open.trace.current_A.push(...current_A);
  }

  // Goes on reading what was read last, a hair later each time: fresh, and nothing
  // new, for as long as the page takes to be looked at.
  goOn(name) {
    clearInterval(this.going.get(name));
    this.going.set(name, setInterval(() => {
      const { time_s, voltage_V, current_A } = this.last.get(name);
      this.read(name, [time_s + 0.0001], [voltage_V], [current_A]);
    }, 250));
  }

  // Reads no more; when the last was read.
  rest(name) {
    clearInterval(this.going.get(name));
    return Date.parse(this.supplies.get(name).last_reading_at);
  }

  begin(name, id, onset_time_s, watch_s) {
    const item = this.supplies.get(name);
    const powerUp = {
      id, supply: name, started_at: new Date().toISOString(), state: 'open',
      module_type: item.module_type, unit: item.unit, work_order: item.work_order,
      stage: item.stage, verdict: null, reference_version: item.reference_version, onset_s: 0.5,
      ended_why: null, on_time_s: null, readings: 0, mock_start_s: onset_time_s - 0.5,
      mock_onset_s: onset_time_s, mock_watch_s: watch_s, signature: null,
      trace: { time_s: [], voltage_V: [], current_A: [] },
    };
    this.powerUps.push(powerUp);
    item.power_up = id;
    item.output_on = true;
    this.tellPowerUp(id);
    this.tell(name);
  }

  tellPowerUp(id, parts = {}) {
    const powerUp = Object.assign(this.powerUps.find((each) => each.id === id), parts);
    const { trace, signature, ...item } = powerUp;
    this.send('power-up', {
      supply: powerUp.supply, onset_time_s: powerUp.mock_onset_s, power_up: item, signature,
      watch_s: powerUp.mock_watch_s,
    });
  }

  judge(id, verdict, phases, { kept = true, sent_at = undefined } = {}) {
    const powerUp = this.powerUps.find((each) => each.id === id);
    powerUp.verdict = verdict;
    powerUp.signature = { onset_s: 0.5, baseline_A: 0, phases };
    this.send('verdict', {
      supply: powerUp.supply, power_up: id, verdict, phases, kept, judging_s: 0.0004,
      commit_s: kept ? 0.006 : null, sent_at,
    });
  }

  end(id, why) {
    const powerUp = this.powerUps.find((each) => each.id === id);
    Object.assign(this.supplies.get(powerUp.supply), { power_up: null, output_on: false });
    this.tellPowerUp(id, {
      ended_why: why, state: why === 'supply gone' ? 'incomplete' : 'complete',
      on_time_s: powerUp.trace.time_s.length > 0 ? powerUp.trace.time_s.at(-1) - 0.5 : 0,
    });
    this.tell(powerUp.supply);
  }
}

function json(response, status, content) {
  response.writeHead(status, {
    'Content-Type': status < 400 ? 'application/json' : 'application/problem+json',
  });
  response.end(JSON.stringify(content));
}

function one(response, rows, id) {
  const row = rows.find((each) => each.id === id);
  if (row) json(response, 200, row);
  else json(response, 404, { title: 'Not found', status: 404, detail: `no ${id}` });
}

async function body(request) {
  const pieces = [];
  for await (const piece of request) pieces.push(piece);
  return JSON.parse(Buffer.concat(pieces).toString('utf8'));
}
