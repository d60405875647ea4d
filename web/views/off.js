// SPDX-License-Identifier: GPL-3.0-or-later
//
// Off, one touch away wherever there is an output that wakedraw may switch: in the
// spine of every page, and at the head of every slip that is laid over it. It goes
// out as the finger comes down, on a connection of its own (lib/api.js).

import { Problem, put } from '../lib/api.js';
import { hand } from '../lib/hand.js';
import { USE_THE_SWITCH, mayBeOn } from '../lib/outputs.js';
import { element, rebuilt } from '../lib/page.js';
import { pageToken } from '../lib/page_token.js';
import { atOnce } from './held.js';

const SLOW_MS = 1500; // longer than a supply takes to answer

const watchers = new Set(); // who lays out what is known here
const turns = new Map(); // by supply: how often Off was touched
const sent = new Set(); // supplies whose Off is not answered yet
const failures = new Map(); // by supply: {text, code} of the last Off that was not carried out
let outputs = []; // {name, on} of those that wakedraw may switch

// items: the supplies as GET supplies tells them. Each keeps its place for good, so
// that under a finger there is never another one's Off.
export function hearOutputs(items) {
  outputs = items.filter((item) => item.control).map((item) => ({ name: item.name, on: mayBeOn(item) }));
  for (const { name, on } of outputs) if (!on && !sent.has(name)) failures.delete(name);
  lay();
}

// Keeps Off buttons at a place, with what failed where `words`; returns what ends that.
export function mountOff(place, { words = true } = {}) {
  return watchOff(() => layAt(place, words));
}

// changed() now, and whenever an Off is sent, answered or has failed.
export function watchOff(changed) {
  watchers.add(changed);
  changed();
  return () => watchers.delete(changed);
}

export const isSent = (name) => sent.has(name);
export const failureOf = (name) => failures.get(name) ?? null;

// Returns the failure, or null.
export async function switchOff(name) {
  const turn = (turns.get(name) ?? 0) + 1;
  // Sent before anything is laid out.
  const answer = put(`supplies/${encodeURIComponent(name)}/output`, { on: false, ...asker() }, { urgent: true });
  turns.set(name, turn);
  sent.add(name);
  failures.delete(name);
  lay();
  const slow = setTimeout(() => {
    failures.set(name, { text: `Off was sent and is not confirmed yet. ${USE_THE_SWITCH}`, code: false });
    lay();
  }, SLOW_MS);
  let failure = null;
  try {
    await answer;
  } catch (problem) {
    if (!(problem instanceof Problem)) throw problem;
    const why = problem.status === 0 ? 'the bench does not answer.' : problem.message;
    failure = { text: withSwitch(`Off was not carried out: ${why}`), code: problem.status === 401 };
  }
  clearTimeout(slow);
  if (turns.get(name) !== turn) return failure; // a later touch knows better
  sent.delete(name);
  if (failure === null) failures.delete(name);
  else failures.set(name, failure);
  lay();
  return failure;
}

// Who asks, as far as the tablet knows: for the log of outputs.
export function asker() {
  return { page: pageToken(), ...(hand() ? { hand: hand().slice(0, 31) } : {}) };
}

export function withSwitch(text) {
  const ended = /[.!?]$/.test(text) ? text : `${text}.`;
  return /switch on the supply/i.test(text) ? ended : `${ended} ${USE_THE_SWITCH}`;
}

function lay() {
  for (const changed of watchers) changed();
}

function layAt(place, words) {
  const failed = words ? outputs.map(({ name }) => failures.get(name)).filter(Boolean) : [];
  rebuilt(place, { outputs, sent: [...sent], failed }, () => [
    ...outputs.map(offButton), ...failed.map(failureLine),
  ]);
}

function offButton({ name, on }) {
  const button = element('button', 'off', 'Off', element('span', 'off-name', ` ${name}`));
  button.type = 'button';
  button.dataset.supply = name;
  button.dataset.on = on ? 'yes' : 'no';
  button.dataset.sent = sent.has(name) ? 'yes' : 'no';
  atOnce(button, () => switchOff(name));
  return button;
}

// A line to be read at once; with the way to the access code where that is wanted.
export function failureLine({ text, code }) {
  const made = element('p', 'off-failure', text);
  made.setAttribute('role', 'alert');
  if (code) made.append(' ', codeButton(text));
  return made;
}

function codeButton(text) {
  const button = element('button', '', 'Access code \u2026');
  button.type = 'button';
  button.addEventListener('click', async () => {
    const { codeSlip } = await import('./code_slip.js');
    codeSlip(text);
  });
  return button;
}
