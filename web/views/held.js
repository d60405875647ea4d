// SPDX-License-Identifier: GPL-3.0-or-later
//
// How a button is pressed where an output hangs on it: at once, for what must not
// wait; or held, for what must not happen by the way.

import { setData } from '../lib/page.js';

export const HOLD_MS = 800;
const KEYS = [' ', 'Enter'];
const SAME_TOUCH_MS = 1000;

// act() as soon as a finger or a key is down, before it is up again. A click alone,
// as assistive technology makes it, does it too.
export function atOnce(button, act) {
  let down_ms = -Infinity;

  function press(event) {
    down_ms = event.timeStamp;
    act();
  }

  button.addEventListener('pointerdown', (event) => { if (event.button === 0) press(event); });
  button.addEventListener('keydown', (event) => {
    if (!KEYS.includes(event.key)) return;
    event.preventDefault();
    if (!event.repeat) press(event);
  });
  button.addEventListener('keyup', (event) => { if (KEYS.includes(event.key)) event.preventDefault(); });
  button.addEventListener('click', (event) => {
    if (event.timeStamp - down_ms > SAME_TOUCH_MS) act();
  });
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
    if (!KEYS.includes(event.key)) return;
    event.preventDefault();
    if (!event.repeat) press();
  });
  button.addEventListener('keyup', (event) => { if (KEYS.includes(event.key)) release(); });
}
