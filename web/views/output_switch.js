// SPDX-License-Identifier: GPL-3.0-or-later
//
// Off, and on: only where the supply's control is on; otherwise the words that say
// where the switch is. Off goes out at a touch; on wants to be held, with what it
// will set and what to mind before it in sight.

import { Problem, put } from '../lib/api.js';
import { setData, setHidden, setText } from '../lib/page.js';
import { amperes, volts } from '../lib/words.js';
import { switchOff } from './off.js';

export const HOLD_MS = 800;
const HOLD_KEYS = [' ', 'Enter'];

// refused(problem): the access code is needed.
export function outputSwitch(places, refused) {
  let item = null;
  let type = null;
  let failure = null; // {wanted, text} of the last try

  function show(supplyItem, moduleType) {
    if (supplyItem?.name !== item?.name) failure = null;
    item = supplyItem;
    type = moduleType ?? null;
    if (failure !== null && item?.output_on === failure.wanted) failure = null;
    const control = Boolean(item?.control);
    const on = item?.output_on === true;
    setHidden(places.buttons, !control);
    setText(places.note, failure?.text ?? (control ? '' : 'Off: use the supply\u2019s switch.'));
    setHidden(places.note, control && failure === null);
    setHidden(places.before, !control || on);
    setText(places.before, control ? settings(item, type) : '');
    if (places.on.disabled !== on) places.on.disabled = on;
  }

  async function switchOn() {
    const { name } = item;
    try {
      await put(`supplies/${encodeURIComponent(name)}/output`, { on: true });
      failure = null;
    } catch (problem) {
      if (!(problem instanceof Problem)) throw problem;
      failed(true, `On was not carried out: ${problem.message} Use the switch on the supply.`);
      if (problem.status === 401) refused(problem);
    }
    show(item, type);
  }

  function failed(wanted, text) {
    failure = { wanted, text };
  }

  places.off.addEventListener('click', async () => {
    const problem = await switchOff(item.name);
    if (problem) failed(false, problem.text);
    else failure = null;
    show(item, type);
  });
  held(places.on, switchOn, () => setText(places.onWords, 'Hold to switch on'));

  return { show };
}

// act() once a touch, or Space or Enter, has lasted; early(): it was let go before.
export function held(button, act, early) {
  let timer = null;

  function press() {
    if (timer !== null || button.disabled) return;
    setData(button, 'held', 'yes');
    timer = setTimeout(() => {
      let_go();
      act();
    }, HOLD_MS);
  }

  function let_go() {
    clearTimeout(timer);
    timer = null;
    setData(button, 'held', 'no');
  }

  function release() {
    if (timer === null) return;
    let_go();
    early();
  }

  button.style.setProperty('--hold', `${HOLD_MS}ms`);
  button.addEventListener('pointerdown', (event) => { if (event.button === 0) press(); });
  for (const name of ['pointerup', 'pointercancel', 'pointerleave', 'blur']) {
    button.addEventListener(name, release);
  }
  button.addEventListener('contextmenu', (event) => event.preventDefault());
  button.addEventListener('keydown', (event) => {
    if (!HOLD_KEYS.includes(event.key)) return;
    event.preventDefault();
    if (!event.repeat) press();
  });
  button.addEventListener('keyup', (event) => { if (HOLD_KEYS.includes(event.key)) release(); });
}

// What the supply will be set to, and what to look at before.
function settings(item, type) {
  const known = (value) => typeof value === 'number';
  const voltage = known(type?.nominal_voltage_V) ? `sets ${volts(type.nominal_voltage_V)}`
    : `leaves ${volts(item.voltage_set_V)} set`;
  const limit = known(type?.current_limit_A) ? `the current limit to ${amperes(type.current_limit_A)}`
    : `the current limit at ${amperes(item.limit_set_A)}`;
  return `Before on it ${voltage} and ${limit}. Leads the right way round? Capacitors discharged?`;
}
