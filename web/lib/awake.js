// SPDX-License-Identifier: GPL-3.0-or-later
//
// Keeps the tablet's screen on while the bench page is seen; says plainly where it
// cannot.

// told(text): how it stands, in a few words.
export function keepAwake(told) {
  if (!globalThis.isSecureContext) {
    told('The screen may go dark: keeping it on needs the page over https, or on the bench itself.');
    return;
  }
  if (!navigator.wakeLock) {
    told('The screen may go dark: this browser cannot keep it on.');
    return;
  }
  async function ask() {
    if (document.visibilityState !== 'visible') return;
    try {
      const lock = await navigator.wakeLock.request('screen');
      told('The screen stays on.');
      lock.addEventListener('release', () => told('The screen may go dark.'));
    } catch (refusal) {
      told(`The screen may go dark: the tablet refused (${refusal.message}).`);
    }
  }
  document.addEventListener('visibilitychange', ask);
  ask();
}
