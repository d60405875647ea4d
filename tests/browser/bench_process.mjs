// SPDX-License-Identifier: GPL-3.0-or-later
//
// A real bench for the page's tests: simulated supply, daemon, all on free ports
// and in a temporary directory.

import { spawn } from 'node:child_process';
import { mkdtemp, mkdir, readFile, rm, writeFile } from 'node:fs/promises';
import { connect } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';

const ROOT = fileURLToPath(new URL('../../', import.meta.url));
const WAKEDRAW = process.env.WAKEDRAW ?? join(ROOT, 'build/wakedraw');
// A program of another build directory finds neither beside itself.
process.env.WAKEDRAW_PROFILES ??= join(ROOT, 'daemon/profiles');
const READY_MS = 60000;

// A started command whose first line on standard output says it is ready.
class Process {
  static async start(parts, ready) {
    const made = new Process();
    made.child = spawn(WAKEDRAW, parts, { stdio: ['ignore', 'pipe', 'pipe'] });
    made.said = '';
    made.child.stderr.on('data', (text) => { made.said = (made.said + text).slice(-4000); });
    made.ended = new Promise((resolve) => { made.child.on('close', resolve); });
    const lines = createInterface({ input: made.child.stdout });
    made.line = await new Promise((resolve, reject) => {
      const late = setTimeout(() => reject(new Error(`not ready: ${parts.join(' ')}`)), READY_MS);
      made.child.on('error', reject);
      made.child.on('close', () => reject(new Error(`${parts.join(' ')}: ${made.said}`)));
      lines.on('line', (line) => {
        if (!line.includes(ready)) return;
        clearTimeout(late);
        resolve(line);
      });
    });
    return made;
  }

  async stop(how = 'SIGTERM') {
    this.child.kill(how);
    await this.ended;
  }
}

export class RealBench {
  static async start({ module = 'reefer-controller', options = [], control = 'off' } = {}) {
    const bench = new RealBench();
    bench.control = control;
    bench.folder = await mkdtemp(join(tmpdir(), 'wakedraw-page-'));
    bench.panel = join(bench.folder, 'left.panel');
    // Without its ripple and its warming up: it is the page that is tried here, and
    // polls that come late must not make another verdict of the same draw.
    const path = join(ROOT, `signatures/harbour-lane/modules/${module}.ini`);
    const steady = join(bench.folder, `${module}.ini`);
    await writeFile(steady, (await readFile(path, 'utf8'))
      .replace(/^(ripple_A|warm_up_percent) = .*$/gm, '$1 = 0'));
    bench.supply = await Process.start(['simulate', '--link', 'tcp:127.0.0.1:0', '--profile', 'scpi',
      '--panel', bench.panel, '--module', steady, '--unit', 'HL-0001', '--seed', '5',
      '--conversion-hz', '100', '--aperture', '0.01', ...options], 'ready');
    bench.link = bench.supply.line.split(' ')[1];
    await bench.startDaemon(0);
    return bench;
  }

  async startDaemon(port = this.port) {
    const path = join(this.folder, 'bench.ini');
    await writeFile(path, `[bench]\nname = page test\ndata = ${this.folder}/data\n`
      + `listen = 127.0.0.1:${port}\n\n[supply left]\nlink = ${this.link}\nprofile = scpi\n`
      + `control = ${this.control}\n`);
    this.daemon = await Process.start(['serve', '--config', path, '--web', join(ROOT, 'web')],
      'listening');
    this.port = Number(/:(\d+)\/?\s*$/.exec(this.daemon.line)[1]);
  }

  get url() {
    return `http://127.0.0.1:${this.port}/`;
  }

  async stop() {
    await this.daemon.stop();
    await this.supply.stop();
    await rm(this.folder, { recursive: true, force: true });
  }

  // Does at the simulated front panel what the lines say.
  async say(...lines) {
    const socket = connect(this.panel);
    const answers = createInterface({ input: socket })[Symbol.asyncIterator]();
    try {
      for (const line of lines) {
        socket.write(`${line}\n`);
        const answer = (await answers.next()).value ?? 'no answer';
        if (answer !== 'ok' && !answer.startsWith('{')) throw new Error(`${line}: ${answer}`);
      }
    } finally {
      socket.destroy();
    }
  }

  async ask(method, path, body) {
    const answer = await fetch(`${this.url}api/v1/${path}`, {
      method,
      headers: body === undefined ? {} : { 'Content-Type': 'application/json' },
      body: typeof body === 'string' || body === undefined ? body : JSON.stringify(body),
    });
    const text = await answer.text();
    if (!answer.ok) throw new Error(`${method} ${path}: ${answer.status} ${text}`);
    return /json/.test(answer.headers.get('content-type')) ? JSON.parse(text) : text;
  }

  async supplyItem() {
    return (await this.ask('GET', 'supplies')).items[0];
  }

  // The newest power-up there is, or null.
  async newest() {
    return (await this.ask('GET', 'power-ups?limit=1')).items[0] ?? null;
  }

  // Catches one power-up of a unit for so long; its id.
  async catch(unit, on_ms) {
    const before = (await this.newest())?.id ?? null;
    await this.say(`unit ${unit}`, 'output on');
    await pause(on_ms);
    await this.say('output off');
    for (let i = 0; i < 1200; i++) {
      const item = await this.newest();
      if (item && item.id !== before && item.ended_why) return item.id;
      await pause(50);
    }
    throw new Error(`no power-up of ${unit} was kept`);
  }

  // A reference from a stated range of the final draw, and the type on the bench.
  async teachRange(type, low_A, high_A, watch_s) {
    const out = join(this.folder, 'range.json');
    await run(['build-reference', '--type', type, '--out', out, '--range', `${low_A}:${high_A}`,
      '--watch', String(watch_s)]);
    await this.ask('POST', 'references', await readFile(out, 'utf8'));
    await this.putOn(type);
  }

  putOn(type) {
    return this.ask('PUT', 'supplies/left/on-bench',
      { module_type: type, unit: 'HL-0001', work_order: null, stage: null });
  }

  // Learns a reference from so many units by catching a power-up of each, and
  // says that the type is on the bench.
  async teach(type, units, on_ms) {
    const directories = [];
    for (let i = 0; i < units; i++) {
      const unit = `HL-90${i}`;
      const id = await this.catch(unit, on_ms);
      const directory = join(this.folder, 'known-good', unit);
      await mkdir(directory, { recursive: true });
      await writeFile(join(directory, '1.csv'), await this.ask('GET', `power-ups/${id}/trace.csv`));
      directories.push(directory);
      await pause(1200);
    }
    const out = join(this.folder, 'reference.json');
    await run(['build-reference', '--type', type, '--out', out, '--profile', 'scpi', ...directories]);
    await this.ask('POST', 'references', await readFile(out, 'utf8'));
    await this.putOn(type);
  }
}

async function run(parts) {
  const child = spawn(WAKEDRAW, parts, { stdio: ['ignore', 'ignore', 'pipe'] });
  let said = '';
  child.stderr.on('data', (text) => { said += text; });
  const status = await new Promise((resolve) => { child.on('close', resolve); });
  if (status !== 0) throw new Error(`${parts[0]}: status ${status}: ${said}`);
}

function pause(ms) {
  return new Promise((resolve) => { setTimeout(resolve, ms); });
}
