// SPDX-License-Identifier: GPL-3.0-or-later
//
// The head of every page: the pages there are, what each supply does, Off, and the
// light of the page.
//
//   import { spine } from './spine.js';
//   spine(document.getElementById('spine'), 'folders');

import '../lib/light.js';
import { Problem, get } from '../lib/api.js';
import { LiveStream } from '../lib/live_stream.js';
import { element, rebuilt, setText } from '../lib/page.js';
import { amperes } from '../lib/words.js';
import { hearOutputs, mountOff } from './off.js';

// A page is listed once it is there.
export const PAGES = [
  { page: 'bench', href: '/', words: 'Bench' },
  { page: 'folders', href: '/folder.html', words: 'Folders' },
  { page: 'references', href: '/references.html', words: 'References' },
  { page: 'check', href: '/check.html', words: 'Bench check' },
  { page: 'ledger', href: '/ledger.html', words: 'Ledger' },
  { page: 'shop', href: '/shop.html', words: 'Shop' },
];

const LIGHTS = { room: 'By the room', paper: 'Paper', night: 'Night' };

// page: "bench", "folders", "references", "check", "ledger" or "shop"; what the place holds
// already stays between the pages and Off. live: false where the page hears the
// stream itself and hands the supplies' items to show(items, heard).
export function spine(place, page, { live = true } = {}) {
  const supplies = element('nav', 'spine-supplies');
  supplies.setAttribute('aria-label', 'Supplies');
  const off = element('div', 'spine-off');
  const light = lightButton();
  place.prepend(pages(page));
  place.append(...(live ? [supplies] : []), off, light);
  mountOff(off);
  markSimulated(off);

  function show(items, heard = true) {
    hearOutputs(items);
    if (!live) return;
    rebuilt(supplies, items.map((item) => [item.name, doing(item, heard)]), () => items.map(
      (item) => {
        const link = element('a', 'spine-supply', element('b', '', item.name), ` ${doing(item, heard)}`);
        link.href = `/#${encodeURIComponent(item.name)}`;
        return link;
      },
    ));
  }

  if (live) hear(show);
  return { show };
}

// A simulated bench says so on every page.
async function markSimulated(before) {
  try {
    const { simulated } = await get('health');
    if (simulated) before.before(element('p', 'spine-simulated', 'Simulated'));
  } catch (problem) {
    // A daemon that is away is told where its supplies stand.
    if (!(problem instanceof Problem)) throw problem;
  }
}

function pages(current) {
  const nav = element('nav', 'spine-pages');
  nav.setAttribute('aria-label', 'Pages');
  for (const { page, href, words } of PAGES) {
    const link = element('a', '', words);
    link.href = href;
    if (page === current) link.setAttribute('aria-current', 'page');
    nav.append(link);
  }
  return nav;
}

function lightButton() {
  const button = element('button', 'spine-light');
  button.type = 'button';
  button.title = 'Light: by the room, paper or night';
  const show = () => setText(button, LIGHTS[globalThis.roomLight.chosen]);
  button.addEventListener('click', () => globalThis.roomLight.next());
  document.addEventListener('light', show);
  show();
  return button;
}

function hear(show) {
  const items = new Map();
  let heard = false;
  const stream = new LiveStream('/api/v1/live', {
    events: ['supply', 'heartbeat'],
    heard(name, item) {
      if (name === 'supply') items.set(item.name, item);
      show([...items.values()], heard);
    },
    changed(open) {
      heard = open;
      show([...items.values()], heard);
    },
  });
  window.addEventListener('pagehide', () => stream.close());
  window.addEventListener('pageshow', (event) => { if (event.persisted) location.reload(); });
}

// What a supply does, in a few words.
export function doing(item, heard = true) {
  if (!heard) return 'no word';
  if (item.state === 'gone') return 'gone';
  if (item.state === 'opening') return 'opening';
  if (item.output_on === false) return 'off';
  const drawn = typeof item.current_A === 'number' ? amperes(item.current_A) : '';
  const what = item.limited === true ? 'in current limit' : item.output_on ? 'on' : '';
  return [what, drawn].filter(Boolean).join(', ') || 'reading';
}
