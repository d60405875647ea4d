// SPDX-License-Identifier: GPL-3.0-or-later
//
// Off, one touch away wherever an output that wakedraw may switch is on: in the
// spine of every page, and at the head of every slip that is laid over it.

import { Problem, put } from '../lib/api.js';
import { element, rebuilt } from '../lib/page.js';

const places = new Set();
let outputs = []; // names of those that are on, or may be
let failure = null; // {name, text} of the last Off that was not carried out

// items: the supplies as GET supplies tells them.
export function hearOutputs(items) {
  outputs = items.filter((item) => item.control && item.output_on !== false)
    .map((item) => item.name);
  if (failure !== null && !outputs.includes(failure.name)) failure = null;
  lay();
}

// Keeps Off buttons at a place; returns what ends that.
export function mountOff(place) {
  places.add(place);
  layAt(place);
  return () => places.delete(place);
}

export async function switchOff(name) {
  try {
    await put(`supplies/${encodeURIComponent(name)}/output`, { on: false });
    failure = null;
  } catch (problem) {
    if (!(problem instanceof Problem)) throw problem;
    failure = { name, text: `Off was not carried out: ${problem.message} Use the switch on the supply.` };
  }
  lay();
  return failure;
}

function lay() {
  for (const place of places) layAt(place);
}

function layAt(place) {
  rebuilt(place, { outputs, failure }, () => [
    ...outputs.map((name) => {
      const button = element('button', 'off', 'Off', element('span', 'off-name', ` ${name}`));
      button.type = 'button';
      button.dataset.supply = name;
      button.addEventListener('click', () => switchOff(name));
      return button;
    }),
    ...(failure === null ? [] : [alert(failure.text)]),
  ]);
}

function alert(text) {
  const made = element('p', 'off-failure', text);
  made.setAttribute('role', 'alert');
  return made;
}
