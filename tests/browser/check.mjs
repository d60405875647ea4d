// SPDX-License-Identifier: GPL-3.0-or-later
//
// A small bench for tests: each named check runs in turn; what it throws is its
// failure. Ends with `N passed, N failed, N skipped`. Words on the command line
// choose the checks whose name holds one of them.

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

// Waits until probe() is truthy; says what it last was otherwise.
export async function until(probe, what, patience_ms = 5000) {
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
