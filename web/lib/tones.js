// SPDX-License-Identifier: GPL-3.0-or-later
//
// Tones for eyes that stay on the board: good climbs in two notes, bad is one low
// note struck three times, unsure wavers on one note and ends where it began. Off
// unless chosen on this tablet.

const KEY = 'bench.tones';

// [from_s, length_s, hertz at the start, hertz at the end]
const NOTES = {
  good: [[0, 0.16, 523, 523], [0.18, 0.34, 784, 784]],
  bad: [[0, 0.13, 165, 165], [0.2, 0.13, 165, 165], [0.4, 0.3, 165, 147]],
  unsure: [[0, 0.22, 392, 440], [0.22, 0.22, 440, 349], [0.44, 0.26, 349, 392]],
};

export class Tones {
  constructor() {
    this.on = localStorage.getItem(KEY) === 'on';
    this.context = null;
    // A browser lets a page sound only once it has been touched.
    for (const name of ['pointerdown', 'keydown']) {
      document.addEventListener(name, () => this.wake(), { passive: true });
    }
  }

  wake() {
    if (!this.on) return;
    this.context ??= new AudioContext();
    if (this.context.state === 'suspended') this.context.resume();
  }

  toggle() {
    this.on = !this.on;
    localStorage.setItem(KEY, this.on ? 'on' : 'off');
    if (this.on) this.play('good');
  }

  play(verdict) {
    if (!this.on || !NOTES[verdict]) return;
    this.wake();
    const loud = this.context.createGain();
    loud.gain.value = 0.3;
    loud.connect(this.context.destination);
    for (const note of NOTES[verdict]) this.sound(note, loud);
  }

  sound([from_s, length_s, start_hz, end_hz], into) {
    const { context } = this;
    const at_s = context.currentTime + 0.02 + from_s;
    const voice = context.createOscillator();
    const gain = context.createGain();
    voice.type = 'triangle';
    voice.frequency.setValueAtTime(start_hz, at_s);
    voice.frequency.linearRampToValueAtTime(end_hz, at_s + length_s);
    gain.gain.setValueAtTime(0, at_s);
    gain.gain.linearRampToValueAtTime(1, at_s + 0.02);
    gain.gain.setValueAtTime(1, at_s + length_s - 0.04);
    gain.gain.linearRampToValueAtTime(0, at_s + length_s);
    voice.connect(gain).connect(into);
    voice.start(at_s);
    voice.stop(at_s + length_s + 0.02);
  }
}
