// SPDX-License-Identifier: GPL-3.0-or-later
//
// What an output does and what became of it, in words; of a supply's item as the
// bench tells it. Pure.

import { amperes, clockTime, volts } from './words.js';

export const USE_THE_SWITCH = 'Use the switch on the supply.';

// Off has something to do there: it is on, it may be, or it is about to be.
export function mayBeOn(item) {
  return item.output_on !== false || Boolean(item.output_doing) || Boolean(item.off_wanted);
}

// What it does just now, a sentence; '' where nothing.
export function doingWords(item, type = null) {
  const doing = item?.output_doing;
  if (!doing) return '';
  if (doing === 'looking') {
    const limit = type?.look_limit_A;
    return typeof limit === 'number' ? `Looking at ${amperes(limit)} first.` : 'Looking at a low current first.';
  }
  return `${doing[0].toUpperCase()}${doing.slice(1)}.`;
}

// {text, tone} of what must be read before anything else, or null. tone: "trouble"
// where it is to be acted on, "plain" where it is done.
export function strongWords(item) {
  if (!item) return null;
  if (item.off_wanted) return { text: `Off was not confirmed. ${USE_THE_SWITCH}`, tone: 'trouble' };
  const problem = sentence(item.output_problem);
  if (item.output_last === 'refused') {
    return { text: `Not switched on${problem ? `: ${problem}` : '.'}${switchUnlessOff(item)}`, tone: 'trouble' };
  }
  if (item.output_last === 'off' && item.output_by === 'wakedraw') {
    const why = sentence(item.output_why) || 'no reason is told.';
    return { text: `Switched off by wakedraw: ${why}${switchUnlessOff(item)}`, tone: 'trouble' };
  }
  if (item.output_last === 'found on') {
    return { text: `Found on: ${sentence(item.output_why) || 'it was switched on from here before.'}`, tone: 'trouble' };
  }
  return problem ? { text: `${problem[0].toUpperCase()}${problem.slice(1)}`, tone: 'trouble' } : null;
}

// The same in a word or two.
export function strongHead(item) {
  if (item.off_wanted) return 'Still on?';
  if (item.output_last === 'refused') return 'Not on';
  if (item.output_last === 'off' && item.output_by === 'wakedraw') return 'Cut off';
  return item.output_last === 'found on' ? 'Found on' : 'Look';
}

const switchUnlessOff = (item) => (item.output_on === false ? '' : ` ${USE_THE_SWITCH}`);

const LAST = {
  set: 'Set', looked: 'Looked first', on: 'On', off: 'Off', refused: 'On was asked for', 'off not confirmed': 'Off not confirmed',
  'on at the supply': 'On', 'off at the supply': 'Off', 'set at the supply': 'Set', held: 'Held',
  'hold over': 'Hold over', 'found on': 'Found on',
};
const BY_HAND = ['on at the supply', 'off at the supply', 'set at the supply'];

// When, by whom and why it last changed, in one line; '' where nothing is known.
export function quietWords(item) {
  const words = LAST[item?.output_last];
  if (!words) return '';
  const who = whoWords(item.output_last, item.output_by, item.output_hand);
  const at = item.output_at ? `, ${clockTime(item.output_at)}` : '';
  // What is said in strong words is not said again.
  const strong = item.output_last === 'refused' || item.output_by === 'wakedraw' || item.output_last === 'found on';
  const why = item.output_why && !strong ? `: ${item.output_why}` : '';
  return `${words}${who}${at}${why}`;
}

export function whoWords(what, who, hand) {
  if (BY_HAND.includes(what) || who === 'front panel') return ' by a hand at the supply';
  const initials = hand ? ` (${hand})` : '';
  if (!who) return hand ? ` by ${hand}` : '';
  return ` by ${who === 'page' ? 'the page' : who}${initials}`;
}

// The settings as somebody left them at the supply.
export function byHandWords(item) {
  return item?.settings_by_hand ? 'Set by a hand at the supply, and left so.' : '';
}

// {head, text, rule} of a hold, or null.
export function holdWords(item) {
  if (!item?.hold) return null;
  const { since, hand, why } = item.hold;
  const said = [hand, why].filter(Boolean).join(': ');
  return {
    head: `${item.name}: memory of ${item.hold.unit ?? item.unit ?? 'the unit'} is being read or written`,
    text: `Since ${clockTime(since, false)}${said ? ` (${said})` : ''}.`,
    rule: item.control ? 'Nothing is switched or set by itself. Only Off cuts the power.'
      : 'Leave the supply\u2019s switch as it is.',
  };
}

// "12.00 V, 1.500 A"; '' where it was not about them.
export function settingWords({ voltage_V: voltage, limit_A: limit }) {
  return [typeof voltage === 'number' ? volts(voltage) : '', typeof limit === 'number' ? amperes(limit) : '']
    .filter(Boolean).join(', ');
}

function sentence(text) {
  if (!text) return '';
  return /[.!?]$/.test(text) ? text : `${text}.`;
}
