// SPDX-License-Identifier: GPL-3.0-or-later
//
// node run.mjs [WORD...]: every check whose name holds one of the words, or all.

import { runChecks } from './check.mjs';
import './test_pure.mjs';
import { closeBrowser } from './test_page.mjs';

const words = process.argv.slice(2);
const fine = await runChecks((name) => words.length === 0
  || words.some((word) => name.includes(word)));
await closeBrowser();
process.exit(fine ? 0 : 1);
