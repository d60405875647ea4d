// SPDX-License-Identifier: GPL-3.0-or-later
//
// The stages of the order as a routing slip on the ticket: one touch says where the
// work is now; beside them whether the module is heated or cooled.

import { element, rebuilt } from '../lib/page.js';
import { verdictsAt } from '../lib/orders.js';

const TAGS = ['heat', 'cold'];

// choose({stage, tag}): what shall stand on the bench.
export function stagesView({ stages: place, tags }, choose) {
  let tag = null;
  let stage = null;

  function show(item, order, names) {
    stage = item.stage;
    tag = item.tag ?? null;
    const closed = Boolean(order?.closed_at);
    const listed = names.includes(stage) || !stage ? names : [...names, stage];
    const from = listed.map((name) => [name, name === stage, verdictsAt(order, name), closed]);
    rebuilt(place, from, () => listed.map((name) => {
      const been = verdictsAt(order, name);
      const button = element('button', 'station', name);
      button.type = 'button';
      button.dataset.been = been ? 'yes' : 'no';
      button.disabled = closed;
      button.setAttribute('aria-pressed', String(name === stage));
      if (been) button.title = been;
      button.addEventListener('click', () => { if (name !== stage) choose({ stage: name, tag: null }); });
      return button;
    }));
    rebuilt(tags, [tag, closed], () => TAGS.map((name) => {
      const button = element('button', 'station', name);
      button.type = 'button';
      button.disabled = closed;
      button.setAttribute('aria-pressed', String(name === tag));
      button.addEventListener('click', () => choose({ stage, tag: name === tag ? null : name }));
      return button;
    }));
  }

  return { show };
}
