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
import { livePath } from '../lib/page_token.js';
import { amperes } from '../lib/words.js';
import { hearOutputs, mountOff } from './off.js';
import { spineBars } from './spine_bars.js';

// A page is listed once it is there.
export const PAGES = [
  { page: 'bench', href: '/', words: 'Bench' },
  { page: 'folders', href: '/folder.html', words: 'Folders' },
  { page: 'references', href: '/references.html', words: 'References' },
  { page: 'check', href: '/check.html', words: 'Bench check' },
  { page: 'ledger', href: '/ledger.html', words: 'Ledger' },
  { page: 'outputs', href: '/outputs.html', words: 'Outputs' },
  { page: 'shop', href: '/shop.html', words: 'Shop' },
];

const LIGHTS = { room: 'Room', paper: 'Paper', night: 'Night' };

// page: one of PAGES; what the place holds already stays between the pages and Off.
// live: false where the page hears the stream itself and hands the supplies' items to
// show(items, {lost}). hears: {event: (data) => void}, what else is heard of the one
// stream of the page.
export function spine(place, page, { live = true, hears = {} } = {}) {
  const supplies = element('nav', 'spine-supplies');
  supplies.setAttribute('aria-label', 'Supplies');
  const off = element('div', 'spine-off');
  const barPlace = element('section', 'spine-bars');
  place.prepend(pages(page));
  place.append(...(live ? [supplies] : []), off, lightButton());
  // On the bench they lie where they do not move its own Off: spine.css.
  if (live) place.append(barPlace);
  else place.after(barPlace);
  barPlace.setAttribute('aria-label', 'Notices');
  mountOff(off, { words: false });
  const bars = spineBars(barPlace);
  markSimulated(off);

  // heard: is the stream there; lost: it was, or did not come.
  function show(items, { heard = true, lost = false } = {}) {
    hearOutputs(items);
    bars.show(items, lost);
    if (!live) return;
    rebuilt(supplies, items.map((item) => [item.name, doing(item, heard)]), () => items.map(
      (item) => {
        const link = element('a', 'spine-supply', element('b', '', item.name), ` ${doing(item, heard)}`);
        link.href = `/#${encodeURIComponent(item.name)}`;
        return link;
      },
    ));
  }

  if (live) hear(show, hears);
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

function hear(show, hears) {
  const items = new Map();
  let heard = false;
  let lost = false;
  const lay = () => show([...items.values()], { heard, lost });
  const stream = new LiveStream(livePath(), {
    events: ['supply', 'heartbeat', ...Object.keys(hears).filter((name) => name !== 'supply')],
    heard(name, data) {
      if (name === 'supply') items.set(data.name, data);
      hears[name]?.(data);
      if (name === 'supply' || name === 'heartbeat') lay();
    },
    changed(open) {
      heard = open;
      lost = !open;
      lay();
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
  if (item.off_wanted) return 'off not confirmed';
  if (item.output_doing) return item.output_doing;
  if (item.output_on === false) return 'off';
  const drawn = typeof item.current_A === 'number' ? amperes(item.current_A) : '';
  const what = item.limited === true ? 'in current limit' : item.output_on ? 'on' : '';
  return [what, drawn].filter(Boolean).join(', ') || 'reading';
}
