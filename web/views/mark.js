// SPDX-License-Identifier: GPL-3.0-or-later
//
// The mark of a verdict: a word in a shape of its own. Good is an oval stamp in
// ink; bad a solid block with torn edges, its word left white; unsure a hold tag
// of kraft card with its eyelet. Each is known by its outline alone.

import { drawing, element } from '../lib/page.js';

const WIDE = 400;
const HIGH = 150;

const shapes = {
  good: () => [
    drawing('ellipse', { cx: 200, cy: 75, rx: 195, ry: 71, class: 'mark-line-heavy' }),
    drawing('ellipse', { cx: 200, cy: 75, rx: 182, ry: 60, class: 'mark-line-fine' }),
  ],
  bad: () => [drawing('path', { d: tornBlock(), class: 'mark-solid' })],
  unsure: () => [
    drawing('path', { d: 'M58 4 H394 V146 H58 L6 106 V44 Z', class: 'mark-card' }),
    drawing('path', { d: 'M62 12 H386 M62 138 H386', class: 'mark-card-line' }),
    drawing('circle', { cx: 35, cy: 75, r: 11, class: 'mark-eyelet' }),
  ],
};

export const words = { good: 'Good', bad: 'Bad', unsure: 'Unsure' };

// size: "large", "medium" or "small".
export function mark(verdict, size) {
  const word = element('span', 'mark-word', words[verdict]);
  const picture = drawing('svg', {
    viewBox: `0 0 ${WIDE} ${HIGH}`, preserveAspectRatio: 'none', 'aria-hidden': 'true',
    focusable: 'false',
  }, ...shapes[verdict]());
  const made = element('span', `mark mark-${size}`, picture, word);
  made.dataset.verdict = verdict;
  return made;
}

function tornBlock() {
  const teeth = 7;
  const depth = 16;
  const step = (HIGH - 8) / teeth;
  let path = `M${4 + depth} 4 H${WIDE - 4 - depth}`;
  for (let i = 0; i < teeth; i++) {
    path += ` L${WIDE - 4} ${4 + (i + 0.5) * step} L${WIDE - 4 - depth} ${4 + (i + 1) * step}`;
  }
  path += ` H${4 + depth}`;
  for (let i = teeth; i > 0; i--) {
    path += ` L4 ${4 + (i - 0.5) * step} L${4 + depth} ${4 + (i - 1) * step}`;
  }
  return `${path} Z`;
}
