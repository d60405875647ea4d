// SPDX-License-Identifier: GPL-3.0-or-later
//
// Off, and on: only where the supply's control is on; otherwise the words that
// say where the switch is. Off goes out at a touch; on asks first.

import { Problem, put } from '../lib/api.js';
import { setHidden, setText } from '../lib/page.js';
import { amperes, volts } from '../lib/words.js';

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
    setHidden(places.buttons, !control);
    setText(places.note, failure?.text ?? (control ? '' : 'Off: use the supply\u2019s switch.'));
    setHidden(places.note, control && failure === null);
    if (places.on.disabled !== (item?.output_on === true)) {
      places.on.disabled = item?.output_on === true;
    }
  }

  async function say(on) {
    const { name } = item;
    try {
      await put(`supplies/${encodeURIComponent(name)}/output`, { on });
      failure = null;
    } catch (problem) {
      if (!(problem instanceof Problem)) throw problem;
      failure = {
        wanted: on,
        text: `${on ? 'On' : 'Off'} was not carried out: ${problem.message} `
          + 'Use the switch on the supply.',
      };
      if (problem.status === 401) refused(problem);
    }
    show(item, type);
  }

  places.off.addEventListener('click', () => say(false));
  places.on.addEventListener('click', () => {
    setText(places.title, `Switch ${item.name} on?`);
    setText(places.text, settings(item, type));
    places.dialog.showModal();
  });
  places.cancel.addEventListener('click', () => places.dialog.close());
  places.go.addEventListener('click', () => {
    places.dialog.close();
    say(true);
  });

  return { show };
}

// What the supply will be set to.
function settings(item, type) {
  const known = (value) => typeof value === 'number';
  const voltage = known(type?.nominal_voltage_V) ? `sets ${volts(type.nominal_voltage_V)}`
    : `leaves the voltage at ${volts(item.voltage_set_V)}`;
  const limit = known(type?.current_limit_A) ? `sets the current limit to ${amperes(type.current_limit_A)}`
    : `leaves the current limit at ${amperes(item.limit_set_A)}`;
  return `First it ${voltage} and ${limit}. Are the leads the right way round?`;
}
