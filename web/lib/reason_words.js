// SPDX-License-Identifier: GPL-3.0-or-later
//
// The codes of reasons as a few words, for where many power-ups are told of at once;
// a single one's own sentence says more. Pure.

const WORDS = {
  no_draw: 'no draw', at_limit: 'held at the current limit', reversed: 'polarity reversed',
  no_wake: 'does not wake', low_final: 'settles low', high_final: 'settles high',
  late: 'a phase comes late', early: 'a phase comes early', stalled: 'stops on its way',
  missing_phase: 'a phase is missing', extra_phase: 'a phase too many',
  restarts: 'starts over and over', unsteady: 'unsteady draw', leakage: 'leakage',
  intermittent: 'now good, now bad', outside_voltage: 'fed outside its voltage',
  cannot_resolve: 'too small to tell with this supply', incomplete: 'ended before it was told',
  no_onset: 'its beginning was not seen', no_reference: 'no reference yet',
  other_feeds: 'other feeds than taught', other_revision: 'another revision than taught',
  other_set_up: 'another set-up than taught', under_heat: 'comes up under heat',
};

export function reasonWords(code) {
  return WORDS[code] ?? code.replaceAll('_', ' ');
}
