// SPDX-License-Identifier: GPL-3.0-or-later
//
// The colours of what is drawn on the paper, from the style sheet, so that they
// follow its light and dark.

export function inks(place) {
  const style = getComputedStyle(place);
  const colour = (name) => style.getPropertyValue(name).trim();
  return {
    label: colour('--label'),
    rule: colour('--rule'),
    margin: colour('--margin'),
    pencil: colour('--pencil'),
    faint: colour('--pencil-faint'),
    envelope: colour('--envelope'),
    hatch: colour('--hatch'),
    paper: colour('--paper'),
    mark: colour('--typed'),
    font: `16px ${style.getPropertyValue('--print')}`,
  };
}
