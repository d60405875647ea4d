// SPDX-License-Identifier: GPL-3.0-or-later
//
// The order on the tear-off: what was complained of, what is under warranty, what
// has been written, and what can be done next.

import { element, rebuilt } from '../lib/page.js';
import { counted, day } from '../lib/words.js';

// deeds: {note, reading, photo, about, close, record, reopen, off}, each () => void.
export function orderLine(place, deeds) {
  function show(item, watch) {
    const { order, unit, problem } = watch;
    const from = [item?.unit ?? null, item?.work_order ?? null, problem, order && [order.id,
      order.complaint, order.closed_at, order.outcome, order.record, live(order.notes),
      live(order.meter_readings), live(order.photos)],
    unit && [unit.warranty, unit.work_orders?.length ?? 0]];
    rebuilt(place, from, () => lines(item, watch, deeds));
  }
  return { show };
}

function lines(item, { order, unit, problem }, deeds) {
  if (!item?.unit) {
    return [element('p', 'quiet', 'No unit yet. Scan its serial number, or type it into the field at '
      + 'the top; a new one wants only its type.')];
  }
  if (!item.work_order) {
    return [element('p', 'quiet', 'No work order. Scan the unit again to take it in.'),
      ...warrantyLines(item, unit, null)];
  }
  if (!order) return [element('p', problem ? 'order-problem' : 'quiet', problem || 'The order is being fetched.')];
  return [...warrantyLines(item, unit, order), aboutLine(item, order, deeds),
    ...(order.closed_at ? closedLines(order, deeds) : [openDeeds(deeds)])];
}

function warrantyLines(item, unit, order) {
  const made = [];
  const folder = `/folder.html#${encodeURIComponent(item.unit)}`;
  const { warranty } = unit ?? {};
  if (warranty && warranty.work_order !== order?.id) {
    made.push(element('p', 'warranty', `Under warranty: ${counted(warranty.days_left, 'day')} left of `
      + `order ${warranty.work_order}. `, link(folder, 'Earlier orders')));
  } else if ((unit?.work_orders?.length ?? 0) > 1) {
    made.push(element('p', 'warranty', `${counted(unit.work_orders.length - 1, 'earlier order')}. `,
      link(folder, 'Folder')));
  }
  return made;
}

function aboutLine(item, order, deeds) {
  const counts = [[live(order.notes), 'note'], [live(order.meter_readings), 'reading'],
    [live(order.photos), 'photo']].filter(([number]) => number > 0)
    .map(([number, word]) => counted(number, word));
  const about = element('button', 'order-about',
    element('span', order.complaint ? 'complaint' : 'quiet', order.complaint ?? 'No complaint written yet'),
    element('span', 'order-counts', counts.join(', ')));
  about.type = 'button';
  about.title = 'Complaint, customer\u2019s reference, condition, cells';
  about.addEventListener('click', deeds.about);
  return about;
}

function openDeeds(deeds) {
  return element('div', 'deeds', deed('Note', 'note', deeds), deed('Reading', 'reading', deeds),
    deed('Photo', 'photo', deeds), deed('Close', 'close', deeds));
}

function closedLines(order, deeds) {
  const said = element('p', 'order-closed', element('b', '', order.unit),
    ` closed ${day(order.closed_at)}: ${order.outcome}.`);
  if (order.record) {
    return [said, element('div', 'deeds', link(`/record.html#${encodeURIComponent(order.record)}`,
      'See the record', 'firm'), deed('Put away', 'off', deeds))];
  }
  return [said, element('div', 'deeds', deed('Write the record', 'record', deeds, 'firm'),
    deed('Reopen', 'reopen', deeds))];
}

function deed(words, name, deeds, className = '') {
  const button = element('button', className, words);
  button.type = 'button';
  button.id = `deed-${name}`;
  button.addEventListener('click', deeds[name]);
  return button;
}

function link(href, words, className = '') {
  const made = element('a', className, words);
  made.href = href;
  return made;
}

function live(items) {
  return (items ?? []).filter((each) => !each.struck_at).length;
}
