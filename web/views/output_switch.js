// SPDX-License-Identifier: GPL-3.0-or-later
//
// Off, and on: only where the supply's control is on; otherwise the words that say
// where the switch is. Off goes out as the finger comes down; on wants to be held, with
// what it will set and what to mind before it in sight. What became of it stands below.

import { Problem, put } from '../lib/api.js';
import {
  byHandWords, doingWords, quietWords, strongWords,
} from '../lib/outputs.js';
import { setData, setHidden, setText } from '../lib/page.js';
import { amperes, volts } from '../lib/words.js';
import { atOnce, held } from './held.js';
import { asker, failureOf, isSent, switchOff, withSwitch } from './off.js';

const ON_PATIENCE_MS = 60000; // a look, and a voltage that must fall after it
const LONG = 44; // signs; more of them are laid out smaller

// refused(failure): the access code is needed; {text}.
export function outputSwitch(places, refused) {
  let item = null;
  let type = null;
  let failure = null; // {name, text} of the last On
  let early = false;
  let onSheet = false;

  // sheet: the sheet says in words what became of it.
  function show(supplyItem, moduleType, sheet = false) {
    if (supplyItem?.name !== item?.name) early = false;
    item = supplyItem;
    type = moduleType ?? null;
    if (failure !== null && (item?.name !== failure.name || item.output_on === true)) failure = null;
    const control = Boolean(item?.control);
    const on = item?.output_on === true;
    setHidden(places.buttons, !control);
    setData(places.off, 'sent', isSent(item?.name) ? 'yes' : 'no');
    showOn(control, on);
    onSheet = sheet;
    showNote(noteOf(control));
    setText(places.last, [quietWords(item), byHandWords(item)].filter(Boolean).map(ended).join(' '));
    setHidden(places.last, places.last.textContent === '');
  }

  function showOn(control, on) {
    const waits = Boolean(item?.hold);
    const disabled = on || waits || Boolean(item?.output_doing);
    if (places.on.disabled !== disabled) places.on.disabled = disabled;
    setText(places.onWords, waits ? 'On waits' : early ? 'Hold to switch on' : 'Hold for on');
    setHidden(places.before, !control || on || Boolean(item?.output_doing));
    setText(places.before, !control ? '' : waits ? 'On waits until the memory is through.' : settings(item, type));
  }

  // What is to be read before anything else: {text, tone}.
  function noteOf(control) {
    const failed = failureOf(item?.name);
    if (failed !== null && !item.off_wanted) return { text: failed.text, tone: 'trouble' };
    const strong = onSheet ? null : strongWords(item);
    const doing = onSheet ? '' : doingWords(item, type);
    if (doing !== '' && !item.off_wanted) return { text: doing, tone: 'plain' };
    if (failure !== null && item.output_last !== 'refused') return { text: failure.text, tone: 'trouble' };
    return strong ?? { text: control ? '' : 'Off: use the supply\u2019s switch.', tone: 'plain' };
  }

  function showNote({ text, tone }) {
    setText(places.note, text);
    setHidden(places.note, text === '');
    setData(places.note, 'tone', tone);
    setData(places.note, 'long', text.length > LONG ? 'yes' : 'no');
  }

  async function switchOn() {
    const { name } = item;
    failure = null;
    early = false;
    try {
      await put(`supplies/${encodeURIComponent(name)}/output`, { on: true, ...asker() },
        { patience_ms: ON_PATIENCE_MS });
    } catch (problem) {
      if (!(problem instanceof Problem)) throw problem;
      const text = `Not switched on: ${problem.message}`;
      failure = { name, text: [0, 503].includes(problem.status) ? withSwitch(text) : text };
      if (problem.status === 401) refused(failure);
    }
    show(item, type, onSheet);
  }

  atOnce(places.off, async () => {
    const failed = await switchOff(item.name);
    if (failed?.code) refused(failed);
  });
  held(places.on, switchOn, () => {
    early = true;
    show(item, type, onSheet);
  });

  return { show };
}

// What the supply will be set to, and what to look at before.
function settings(item, type) {
  const known = (value) => typeof value === 'number';
  const voltage = known(type?.nominal_voltage_V) ? `sets ${volts(type.nominal_voltage_V)}`
    : `leaves ${volts(item.voltage_set_V)} set`;
  const limit = known(type?.current_limit_A) ? `the current limit to ${amperes(type.current_limit_A)}`
    : `the current limit at ${amperes(item.limit_set_A)}`;
  const look = !known(type?.current_limit_A) ? '' : `, after a look at ${known(type.look_limit_A)
    ? amperes(type.look_limit_A) : 'a tenth of it'}${known(type.look_voltage_V) ? ` and ${volts(type.look_voltage_V)}` : ''}`;
  return `Before on it ${voltage} and ${limit}${look}. Leads the right way round? Capacitors discharged?`;
}

const ended = (text) => (/[.!?]$/.test(text) ? text : `${text}.`);
