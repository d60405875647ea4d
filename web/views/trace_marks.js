// SPDX-License-Identifier: GPL-3.0-or-later
//
// What is drawn around the pencil line: the hatched envelope, the margin line
// at the onset, the phases' numbers, the mark of the deciding reading. All in
// the canvas's own pixels.

const dots = (pixels) => pixels * devicePixelRatio;

export function drawEnvelope(u, envelope, ink) {
  const { ctx, bbox } = u;
  const { time_s, low_A, high_A } = envelope;
  if (time_s.length < 2) return;
  const high = line(u, time_s, high_A);
  const low = line(u, time_s, low_A);
  const band = new Path2D();
  high.forEach(([x, y], i) => (i === 0 ? band.moveTo(x, y) : band.lineTo(x, y)));
  low.slice().reverse().forEach(([x, y]) => band.lineTo(x, y));
  band.closePath();
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  ctx.save();
  ctx.clip(band);
  hatch(ctx, bbox, ink.hatch);
  ctx.restore();
  ctx.strokeStyle = ink.envelope;
  ctx.lineWidth = dots(1.5);
  for (const edge of [high, low]) {
    ctx.beginPath();
    edge.forEach(([x, y], i) => (i === 0 ? ctx.moveTo(x, y) : ctx.lineTo(x, y)));
    ctx.stroke();
  }
  ctx.restore();
}

function line(u, times, values) {
  return times.map((time, i) => [u.valToPos(time, 'x', true), u.valToPos(values[i], 'y', true)]);
}

function hatch(ctx, bbox, colour) {
  const step = dots(9);
  ctx.strokeStyle = colour;
  ctx.lineWidth = dots(1);
  ctx.beginPath();
  for (let x = bbox.left - bbox.height; x < bbox.left + bbox.width; x += step) {
    ctx.moveTo(x, bbox.top + bbox.height);
    ctx.lineTo(x + bbox.height, bbox.top);
  }
  ctx.stroke();
}

// The double rule that bounds a page's margin.
export function drawMargin(u, ink) {
  const { ctx, bbox } = u;
  const x = u.valToPos(0, 'x', true);
  if (x < bbox.left || x > bbox.left + bbox.width) return;
  ctx.save();
  ctx.strokeStyle = ink.margin;
  ctx.lineWidth = dots(1);
  ctx.beginPath();
  for (const offset of [-dots(1.5), dots(1.5)]) {
    ctx.moveTo(x + offset, bbox.top);
    ctx.lineTo(x + offset, bbox.top + bbox.height);
  }
  ctx.stroke();
  ctx.restore();
}

// A short stroke at each boundary, the phase's number between them, as parts
// are numbered on a drawing.
export function drawPhases(u, phases, decided_at_s, ink) {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.font = ink.font.replace(/^\d+px/, `${dots(16)}px`);
  ctx.textAlign = 'center';
  ctx.textBaseline = 'middle';
  const top = bbox.top + dots(13);
  const right = bbox.left + bbox.width;
  phases.forEach((phase) => {
    const from = Math.max(bbox.left, u.valToPos(phase.from_s, 'x', true));
    const to = Math.min(right, u.valToPos(phase.to_s, 'x', true));
    if (to <= from) return;
    ctx.strokeStyle = ink.mark;
    ctx.lineWidth = dots(1);
    ctx.beginPath();
    ctx.moveTo(from, bbox.top);
    ctx.lineTo(from, bbox.top + dots(26));
    ctx.stroke();
    if (to - from < dots(24) || phase.number === null) return;
    number(ctx, String(phase.number), (from + to) / 2, top, ink);
  });
  if (typeof decided_at_s === 'number') drawDecided(u, decided_at_s, ink);
  ctx.restore();
}

function number(ctx, text, x, y, ink) {
  ctx.beginPath();
  ctx.arc(x, y, dots(11), 0, 2 * Math.PI);
  ctx.fillStyle = ink.paper;
  ctx.fill();
  ctx.stroke();
  ctx.fillStyle = ink.mark;
  ctx.fillText(text, x, y + dots(1));
}

function drawDecided(u, decided_at_s, ink) {
  const { ctx, bbox } = u;
  const x = u.valToPos(decided_at_s, 'x', true);
  if (x < bbox.left || x > bbox.left + bbox.width) return;
  const foot = bbox.top + bbox.height;
  ctx.fillStyle = ink.mark;
  ctx.beginPath();
  ctx.moveTo(x, foot - dots(14));
  ctx.lineTo(x - dots(7), foot);
  ctx.lineTo(x + dots(7), foot);
  ctx.closePath();
  ctx.fill();
  const after = x < bbox.left + bbox.width - dots(90);
  ctx.textAlign = after ? 'left' : 'right';
  ctx.textBaseline = 'bottom';
  ctx.fillText('decided', x + (after ? dots(11) : -dots(11)), foot - dots(1));
}

// Where the pencil left the paper: how far it went.
export function drawOverflow(u, highest_A, top_A, ink) {
  if (!(highest_A > top_A)) return;
  const { ctx, bbox } = u;
  const x = u.valToPos(0, 'x', true);
  ctx.save();
  ctx.font = ink.font.replace(/^\d+px/, `${dots(16)}px`);
  ctx.textAlign = 'left';
  ctx.textBaseline = 'top';
  ctx.fillStyle = ink.mark;
  ctx.fillText(`\u2191 ${highest_A.toFixed(2)} A at the start`, x + dots(10), bbox.top + dots(28));
  ctx.restore();
}
