// SPDX-License-Identifier: GPL-3.0-or-later
//
// Paper (light), night (dark) or by the room (as the tablet says). The style sheets
// say what is dark under "prefers-color-scheme: dark"; an override lets those rules
// hold always or never. A plain script, so that the head may load it before the
// first paint; it sets globalThis.roomLight.
(() => {
  if (globalThis.roomLight) return;
  const KEY = 'bench.light';
  const CHOICES = ['room', 'paper', 'night'];
  const MEDIA = { room: '(prefers-color-scheme: dark)', paper: 'not all', night: 'all' };
  const darkRules = new Set();

  function find(rules) {
    for (const rule of rules) {
      if (rule.media && rule.media.mediaText.includes('prefers-color-scheme: dark')) {
        darkRules.add(rule);
      }
      if (rule.styleSheet) find(rule.styleSheet.cssRules);
    }
  }

  function apply() {
    for (const sheet of document.styleSheets) find(sheet.cssRules);
    const chosen = globalThis.roomLight.chosen;
    for (const rule of darkRules) rule.media.mediaText = MEDIA[chosen];
    const scheme = { room: 'light dark', paper: 'light', night: 'dark' }[chosen];
    document.documentElement.style.colorScheme = scheme;
    document.dispatchEvent(new Event('light'));
  }

  const kept = localStorage.getItem(KEY);
  globalThis.roomLight = {
    chosen: CHOICES.includes(kept) ? kept : 'room',
    choose(light) {
      globalThis.roomLight.chosen = light;
      localStorage.setItem(KEY, light);
      apply();
    },
    next() {
      const { chosen, choose } = globalThis.roomLight;
      choose(CHOICES[(CHOICES.indexOf(chosen) + 1) % CHOICES.length]);
    },
  };
  if (globalThis.roomLight.chosen !== 'room') apply();
})();
