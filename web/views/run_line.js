// SPDX-License-Identifier: GPL-3.0-or-later
//
// A run on the tear-off: how far it is, what is left, End; what it came to; else
// the way to begin one, and the way to hold the output still for a memory.

import { Problem, post } from '../lib/api.js';
import { RunWatch, progressOf, resultOf } from '../lib/runs.js';
import { element, rebuilt, setText } from '../lib/page.js';

// bench: {get(path), render(), told(item): a supply's item after a write, cell(): a cell is on the board, watch_s(item): how long one
// is watched, or null, failed(text)}
export function runDesk(place, bench) {
  const runs = new RunWatch(bench.get, bench.render);
  let shown = null;

  function show(watch) {
    const { item } = watch;
    if (!item) return;
    runs.follow(item, watch.strip[0] ?? null, performance.now());
    shown = runs.of(item.name);
    const state = shown === null ? 'none' : shown.ended_at ? 'over' : 'on';
    const from = [state, item.name, shown?.id, shown && [shown.done, shown.good, shown.bad,
      shown.unsure, shown.ended_why, Boolean(shown.result)], Boolean(item.hold)];
    rebuilt(place, from, () => build(state, shown, {
      again: () => begin(watch.item), hold: item.hold ? null : () => hold(watch.item),
    }));
    if (state === 'on') setText(place.querySelector('.run-words'), progressOf(shown, performance.now()));
  }

  // Fetched when it is wanted: most days nobody does.
  async function begin(item) {
    const { runSlip } = await import('./run_slip.js');
    runSlip(item, () => bench.watch_s(item), bench.cell(), (run) => runs.hear(run, performance.now()));
  }

  async function hold(item) {
    const { holdSlip } = await import('./hold_slip.js');
    holdSlip(item, bench.told);
  }

  // While the output is held no run can begin, and the bar under the spine ends the hold.
  function build(state, run, deeds) {
    const memory = deeds.hold && button('Memory is read or written \u2026', 'hold-begin', deeds.hold);
    const again = button(state === 'none' ? 'Again and again \u2026' : 'Again \u2026', 'run-begin', deeds.again);
    again.disabled = deeds.hold === null;
    if (state === 'none') return [element('div', 'deeds run-deeds', ...[again, memory].filter(Boolean))];
    if (state === 'over') {
      return [...resultOf(run).map((text, i) => element('p', i === 0 ? 'run-words' : 'run-said', text)),
        element('div', 'deeds run-deeds', ...[button('Put away', 'run-away', () => runs.putAway(run)), again, memory]
          .filter(Boolean))];
    }
    return [element('p', 'run-words'), bar(run), handLine(run), element('div', 'deeds',
      button('End the run', 'run-end', () => end(run)))].filter(Boolean);
  }

  async function end(run) {
    try {
      runs.hear(await post(`runs/${encodeURIComponent(run.id)}/end`, {}), performance.now());
    } catch (problem) {
      if (!(problem instanceof Problem)) throw problem;
      bench.failed(`The run goes on: ${problem.message}`);
    }
  }

  return { show, hear: (run) => runs.hear(run, performance.now()), runs };
}

function handLine(run) {
  return run.switched === 'hand'
    ? element('p', 'run-said', 'Switch it off and on by hand; what wakes is counted.') : null;
}

// A strip that fills with ink, a stroke for each that was not good.
function bar(run) {
  const made = element('div', 'run-bar');
  const share = (number) => `${(100 * number) / run.wanted}%`;
  made.setAttribute('role', 'progressbar');
  made.setAttribute('aria-label', 'Power-ups of this run');
  made.setAttribute('aria-valuemin', '0');
  made.setAttribute('aria-valuemax', String(run.wanted));
  made.setAttribute('aria-valuenow', String(run.done));
  for (const kind of ['good', 'unsure', 'bad']) {
    const part = element('span', 'run-part');
    part.dataset.kind = kind;
    part.style.width = share(run[kind]);
    made.append(part);
  }
  return made;
}

function button(words, id, act) {
  const made = element('button', '', words);
  made.type = 'button';
  made.id = id;
  made.addEventListener('click', act);
  return made;
}
