// SPDX-License-Identifier: GPL-3.0-or-later
//
// The supply's own lines: the tabs to choose one, how it reads, what stands at
// its output, what to mind.

import { element, rebuilt, setText } from '../lib/page.js';
import { amperes, counted, milliseconds, perSecond, volts } from '../lib/words.js';

const GOOD_CAUTION = 'A good draw is no proof of function.';
const LIMIT_CAUTION = 'Set the current limit before output on.';
const CELL_ON_BOARD = 'A cell is on the board: no heat before it is off.';

const AMPLE_HZ = 1000; // no wire that allows so much is what limits
const LATENCY = {
  on: 'low latency on',
  off: 'low latency off: the converter may hold each reply back up to 16 ms',
  'not offered': 'the port offers no low-latency mode',
};

// states: [{name, output, state}], chosen: a name.
export function tabsView(place, choose) {
  function show(states, chosen) {
    rebuilt(place, { states, chosen }, () => states.map((each) => {
      const made = element('button', 'tab',
        element('span', 'tab-name', each.output === 1 ? each.name : `${each.name}, output ${each.output}`),
        element('span', 'tab-state', each.state));
      made.type = 'button';
      made.dataset.supply = each.name;
      made.setAttribute('aria-pressed', String(each.name === chosen));
      if (each.name === chosen) requestAnimationFrame(() => bringIntoView(made));
      made.addEventListener('click', () => choose(each.name));
      return made;
    }));
  }
  return { show };
}

function bringIntoView(tab) {
  const row = tab.parentElement;
  if (row === null) return;
  const right_px = tab.offsetLeft + tab.offsetWidth - row.clientWidth;
  if (row.scrollLeft > tab.offsetLeft) row.scrollLeft = tab.offsetLeft;
  else if (row.scrollLeft < right_px) row.scrollLeft = right_px;
}

export const tabWords = {
  lost: 'no word', unheard: 'not heard', gone: 'gone', opening: 'opening', stale: 'stale',
  waiting: 'waiting', watching: 'watching', judged: 'on',
};

export function supplyView(places) {
  // cell: one is said to be on the board.
  function show(watch, fresh, type, cell) {
    const { item } = watch;
    setText(places.identity, item?.identity || 'not identified yet');
    setText(places.output, outputLine(item, fresh));
    setText(places.set, setLine(item));
    rebuilt(places.rate, rateLines(item, watch), () => rateLines(item, watch).map(
      (text) => element('li', '', text),
    ));
    const on = item?.output_on === true;
    const cautions = [cell && CELL_ON_BOARD, ...(type?.cautions ?? []),
      ...(on ? [GOOD_CAUTION] : item?.control ? [] : [setUpLine(type), LIMIT_CAUTION])].filter(Boolean);
    setText(places.cautions, cautions.map(sentence).join(' '));
  }
  return { show };
}

// All from one telling, so that it agrees with itself.
function outputLine(item, fresh) {
  if (!fresh || item === null) return 'Output: not known';
  const on = item.output_on === true ? 'on' : item.output_on === false ? 'off' : 'not told';
  const limited = item.limited === true ? ', in current limit' : '';
  const voltage = typeof item.voltage_V === 'number' ? `, ${volts(item.voltage_V)}` : '';
  return `Output ${on}${voltage}${limited}`;
}

function setLine(item) {
  const { voltage_set_V: voltage, limit_set_A: limit } = item ?? {};
  if (typeof voltage !== 'number' && typeof limit !== 'number') return '';
  return `set to ${volts(voltage)}, limit ${amperes(limit)}`;
}

// How the wire does: what it gives, what it could, what went wrong on it.
export function wireLines(item) {
  const lines = [`reads ${perSecond(item.rate_hz)}${limit(item)}`];
  if (item.limit_computed_hz > 0 && item.limit_computed_hz < AMPLE_HZ) lines.push(`the wire alone allows ${perSecond(item.limit_computed_hz)}`);
  if (item.low_latency) lines.push(LATENCY[item.low_latency] ?? `low latency: ${item.low_latency}`);
  if (item.usb_serial) lines.push(`USB serial number ${item.usb_serial}`);
  lines.push(`jitter ${milliseconds(item.jitter_s)}, longest gap ${milliseconds(item.longest_gap_s)}, `
    + counted(item.gaps ?? 0, 'gap'));
  const mishaps = [
    [item.repeats, 'repeat'], [item.timeouts, 'time-out'], [item.garbled, 'garbled reply', 'garbled replies'],
    [item.resynchronised, 'time found in step again', 'times found in step again'], [item.dropped, 'dropped', 'dropped'],
  ].filter(([number]) => number > 0).map(([number, one, many]) => counted(number, one, many));
  lines.push(mishaps.length > 0 ? mishaps.join(', ') : 'no fault on the wire');
  return lines;
}

function rateLines(item, watch) {
  if (item === null) return [];
  const lines = wireLines(item);
  const told = typeof watch.current?.judging_s === 'number' ? watch.current : item;
  const { judging_s: judging, commit_s: commit } = told;
  if (typeof judging === 'number') {
    lines.push(`${told === item ? 'last one judged' : 'judged'} in ${milliseconds(judging)}, `
      + (typeof commit === 'number' ? `on the disk in ${milliseconds(commit)}` : 'not on the disk yet'));
  }
  return lines;
}

function limit(item) {
  if (!(item.limit_hz > 0)) return '';
  const share = typeof item.limit_share === 'number' ? `, ${Math.min(100, Math.round(item.limit_share * 100))} % of it reached` : '';
  return `, limit ${item.limit_hz.toFixed(item.limit_hz < 20 ? 1 : 0)}`
    + `${item.limit_why ? ` (${item.limit_why})` : ''}${share}`;
}

function setUpLine(type) {
  if (!type) return null;
  const parts = [];
  if (typeof type.nominal_voltage_V === 'number') parts.push(volts(type.nominal_voltage_V));
  if (typeof type.current_limit_A === 'number') {
    parts.push(`current limit ${amperes(type.current_limit_A)}`);
  }
  return parts.length > 0 ? `${type.name}: ${parts.join(', ')}` : null;
}

function sentence(text) {
  return /[.!?]$/.test(text) ? text : `${text}.`;
}
