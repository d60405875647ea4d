// SPDX-License-Identifier: GPL-3.0-or-later
//
// node play.mjs [PORT]: the mock bench for the eye, one power-up after another.

import { MockBench } from './mock.mjs';
import { BAD, BAD_PHASES, GOOD, GOOD_PHASES, UNSURE, drawn, furnish } from './scenes.mjs';

const mock = furnish(new MockBench());
mock.tell('left', { control: true, output_on: true });
mock.addSupply('right', { output: 2, state: 'gone', problem: 'tcp:127.0.0.1:5026: connection refused' });
await mock.start(Number(process.argv[2] ?? 0));
console.log(mock.url);

const acts = [['good', GOOD, GOOD_PHASES], ['bad', BAD, BAD_PHASES], ['unsure', UNSURE, GOOD_PHASES]];
const OFF_S = 5;
const ON_S = 16;
const began_ms = Date.now();
let step = 0;
let number = 4;
let decided = false;
setInterval(() => {
  const until = Math.floor((Date.now() - began_ms) / 10);
  const time_s = [];
  const voltage_V = [];
  const current_A = [];
  for (; step < until; step++) {
    const cycle_s = (step / 100) % (OFF_S + ON_S) - OFF_S;
    const [kind, verdict, phases] = acts[Math.floor(step / 100 / (OFF_S + ON_S)) % acts.length];
    const [voltage, current] = drawn(kind, cycle_s, step);
    time_s.push(step / 100);
    voltage_V.push(voltage);
    current_A.push(current);
    if (Math.abs(cycle_s) < 0.004) {
      number++;
      decided = false;
      mock.begin('left', String(number), step / 100, 8);
    }
    if (cycle_s > verdict.decided_at_s && !decided) {
      decided = true;
      mock.judge(String(number), verdict, phases);
    }
    if (Math.abs(cycle_s - ON_S + 0.01) < 0.004) mock.end(String(number), 'output off');
  }
  if (time_s.length > 0) mock.read('left', time_s, voltage_V, current_A);
}, 50);
setInterval(() => {
  mock.tell('left');
  mock.tell('right');
}, 1000);
