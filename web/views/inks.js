// SPDX-License-Identifier: GPL-3.0-or-later
//
// The colours of what is drawn on the paper, from the style sheet, so that they
// follow its light and dark.

const GRAIN = 64;

export function inks(place) {
  const style = getComputedStyle(place);
  const colour = (name) => style.getPropertyValue(name).trim();
  return {
    label: colour('--label'),
    rule: colour('--rule'),
    margin: colour('--margin'),
    pencil: graphite(colour('--pencil')),
    faint: graphite(colour('--pencil-faint')),
    envelope: colour('--envelope'),
    hatch: colour('--hatch'),
    paper: colour('--paper'),
    mark: colour('--typed'),
    font: `16px ${style.getPropertyValue('--print')}`,
  };
}

// A pencil's colour with the paper's grain in it; the same grain each time.
function graphite(colour) {
  const canvas = document.createElement('canvas');
  canvas.width = GRAIN;
  canvas.height = GRAIN;
  const ctx = canvas.getContext('2d');
  ctx.fillStyle = colour;
  let state = 7;
  for (let i = 0; i < GRAIN * GRAIN; i++) {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    ctx.globalAlpha = 0.72 + 0.28 * (state / 2 ** 32);
    ctx.fillRect(i % GRAIN, Math.floor(i / GRAIN), 1, 1);
  }
  return ctx.createPattern(canvas, 'repeat');
}
