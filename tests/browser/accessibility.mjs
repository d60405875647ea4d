// SPDX-License-Identifier: GPL-3.0-or-later
//
// What the accessibility engine axe-core (its rules for WCAG 2.2 AA and its best
// practices) finds against a page as it stands: nothing is what is wanted.

import assert from 'node:assert/strict';
import { readFile } from 'node:fs/promises';
import { createRequire } from 'node:module';

const engine = await readFile(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');

export async function clean(page, what) {
  await page.evaluate(engine);
  const { violations, passes } = await page.evaluate(async () => {
    const found = await globalThis.axe.run(document);
    return { violations: found.violations, passes: found.passes.length };
  });
  assert.ok(passes > 5, `${what}: the engine looked at ${passes} rules only`);
  assert.deepEqual(violations.map(({ id, nodes }) => `${what}: ${id}: ${nodes.map((node) => node.target).join(' ')} `
    + nodes[0].any.concat(nodes[0].all, nodes[0].none).map(({ message }) => message).join('; ')), []);
}
