// SPDX-License-Identifier: GPL-3.0-or-later
//
// A made-up week of a shop, served by the daemon from its store, for the pages that
// look at what is kept.

import { spawn } from 'node:child_process';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';

const SCRIPT = fileURLToPath(new URL('../wire/stored_week.py', import.meta.url));
const READY_MS = 180000;

export class StoredWeek {
  static async start() {
    const week = new StoredWeek();
    week.child = spawn('python3', [SCRIPT], { stdio: ['pipe', 'pipe', 'pipe'] });
    week.said = '';
    week.child.stderr.on('data', (text) => { week.said = (week.said + text).slice(-4000); });
    week.ended = new Promise((resolve) => { week.child.on('close', resolve); });
    week.url = await new Promise((resolve, reject) => {
      const late = setTimeout(() => reject(new Error(`no week: ${week.said}`)), READY_MS);
      week.child.on('error', reject);
      week.child.on('close', () => reject(new Error(`the week ended: ${week.said}`)));
      createInterface({ input: week.child.stdout }).on('line', (line) => {
        if (!line.startsWith('listening ')) return;
        clearTimeout(late);
        resolve(line.slice('listening '.length));
      });
    });
    return week;
  }

  async get(path) {
    const answer = await fetch(`${this.url}api/v1/${path}`);
    if (!answer.ok) throw new Error(`${path}: ${answer.status} ${await answer.text()}`);
    return answer.json();
  }

  async stop() {
    this.child.stdin.end();
    await this.ended;
  }
}
