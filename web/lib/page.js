// SPDX-License-Identifier: GPL-3.0-or-later
//
// Small helps for putting things on the page.

const SVG = 'http://www.w3.org/2000/svg';

// element('p', 'reason', 'text'), element('li', '', child, child)
export function element(tag, className = '', ...children) {
  const made = document.createElement(tag);
  if (className) made.className = className;
  made.append(...children);
  return made;
}

export function drawing(tag, attributes, ...children) {
  const made = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...children);
  return made;
}

// Touches the page only where something changes.
export function setText(place, text) {
  if (place.textContent !== text) place.textContent = text;
}

export function setHidden(place, hidden) {
  if (place.hidden !== hidden) place.hidden = hidden;
}

export function setData(place, name, value) {
  if (place.dataset[name] !== value) place.dataset[name] = value;
}

// Rebuilds the children only when what they are made from has changed; what had the
// focus has it again.
export function rebuilt(place, from, build) {
  const text = JSON.stringify(from);
  if (place.madeFrom === text) return;
  place.madeFrom = text;
  const held = place.contains(document.activeElement) ? keyOf(document.activeElement) : null;
  place.replaceChildren(...build());
  if (held === null) return;
  [...place.querySelectorAll('button, a')].find((each) => keyOf(each) === held)
    ?.focus({ preventScroll: true });
}

function keyOf({ id, dataset, textContent }) {
  return id || dataset.supply || dataset.powerUp || textContent;
}
