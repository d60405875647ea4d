// SPDX-License-Identifier: GPL-3.0-or-later
//
// A small bench for tests: each named check runs in turn; what it throws is its
// failure. Ends with `N passed, N failed, N skipped`. Words on the command line
// choose the checks whose name holds one of them.

import { availableParallelism, loadavg } from 'node:os';

const checks = [];

export function check(name, run) {
  checks.push({ name, run });
}

// Thrown where a check cannot be made here; counted in its own column.
export class Skip extends Error {}

// Runs them all, tidies up, ends the process.
export async function finish(tidy = async () => {}) {
  const words = process.argv.slice(2);
  const fine = await runChecks((name) => words.length === 0
    || words.some((word) => name.includes(word)));
  await tidy();
  process.exit(fine ? 0 : 1);
}

async function runChecks(wanted) {
  const count = { passed: 0, failed: 0, skipped: 0 };
  for (const { name, run } of checks.filter((each) => wanted(each.name))) {
    try {
      const note = await run();
      count.passed++;
      console.log(`ok    ${name}${note ? `: ${note}` : ''}`);
    } catch (error) {
      const skipped = error instanceof Skip;
      count[skipped ? 'skipped' : 'failed']++;
      console.log(`${skipped ? 'skip ' : 'FAIL '} ${name}: ${skipped ? error.message : error.stack}`);
    }
  }
  console.log(`${count.passed} passed, ${count.failed} failed, ${count.skipped} skipped`);
  return count.failed === 0 && count.passed > 0;
}

// How long anything may take that makes no claim about speed.
export const PATIENCE_MS = 60000;

// Is there more to run than processors to run it on? Asked where something was
// slower than it claims to be: then its time cannot be told here.
export async function isBusy() {
  let worst_ms = 0;
  for (let i = 0; i < 40; i++) {
    const from_ms = performance.now();
    await sleep(5);
    worst_ms = Math.max(worst_ms, performance.now() - from_ms - 5);
  }
  return loadavg()[0] > 0.8 * availableParallelism() || worst_ms > 25;
}

// A claim about speed: skipped where it fails and the machine has other work.
export async function assertPace(holds, what) {
  if (holds) return;
  if (await isBusy()) throw new Skip(`${what}: the machine has other work, no time can be told`);
  throw new Error(what);
}

// Waits until probe() is truthy; says what it last was otherwise.
export async function until(probe, what, patience_ms = PATIENCE_MS) {
  const end = Date.now() + patience_ms;
  let last;
  while (Date.now() < end) {
    last = await probe();
    if (last) return last;
    await new Promise((resolve) => setTimeout(resolve, 25));
  }
  throw new Error(`${what}: not within ${patience_ms} ms; last: ${JSON.stringify(last)}`);
}

export function sleep(ms) {
  return new Promise((resolve) => setTimeout(resolve, ms));
}
