// SPDX-License-Identifier: GPL-3.0-or-later
//
// Days of the calendar as the API writes them, "2026-01-31". Pure.

const DAY_MS = 86400000;
const MONTHS = ['January', 'February', 'March', 'April', 'May', 'June', 'July', 'August',
  'September', 'October', 'November', 'December'];
const WEEKDAYS = ['Sun', 'Mon', 'Tue', 'Wed', 'Thu', 'Fri', 'Sat'];

const two = (number) => String(number).padStart(2, '0');
const at = (day) => Date.parse(`${day}T00:00:00Z`);

export function isDay(text) {
  return /^\d{4}-\d{2}-\d{2}$/.test(text ?? '') && !Number.isNaN(at(text)) && daysOn(text, 0) === text;
}

// The tablet's.
export function today(now = new Date()) {
  return `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
}

export function daysOn(day, count) {
  return new Date(at(day) + count * DAY_MS).toISOString().slice(0, 10);
}

// Both counted: 1 for one day.
export function dayCount(from, to) {
  return Math.round((at(to) - at(from)) / DAY_MS) + 1;
}

// "Mon 2 Mar"
export function dayWords(day) {
  const [, month, date] = day.split('-').map(Number);
  return `${WEEKDAYS[new Date(at(day)).getUTCDay()]} ${date} ${MONTHS[month - 1].slice(0, 3)}`;
}

// "2 March", with the year where it is not `year`.
export function dateWords(day, year = null) {
  const [y, month, date] = day.split('-').map(Number);
  return `${date} ${MONTHS[month - 1]}${year !== null && y !== year ? ` ${y}` : ''}`;
}

// Rows of days put together so that few remain: by day up to a month, by week
// (from Monday) up to half a year, by month beyond. Each {from, to, words, rows},
// inside the period.
export function periods(rows, from, to) {
  const count = dayCount(from, to);
  if (count <= 31) {
    return rows.map((row) => ({ from: row.day, to: row.day, words: dayWords(row.day), rows: [row] }));
  }
  const groups = new Map();
  for (const row of rows) {
    const first = count <= 190 ? monday(row.day) : `${row.day.slice(0, 7)}-01`;
    if (!groups.has(first)) groups.set(first, []);
    groups.get(first).push(row);
  }
  return [...groups].map(([first, inside]) => {
    const last = count <= 190 ? daysOn(first, 6) : lastOfMonth(first);
    return {
      from: first < from ? from : first, to: last > to ? to : last,
      words: count <= 190 ? `from ${dayWords(first)}` : `${MONTHS[Number(first.slice(5, 7)) - 1]} ${first.slice(0, 4)}`,
      rows: inside,
    };
  });
}

function monday(day) {
  return daysOn(day, -((new Date(at(day)).getUTCDay() + 6) % 7));
}

function lastOfMonth(first) {
  const [year, month] = first.split('-').map(Number);
  return new Date(Date.UTC(year, month, 0)).toISOString().slice(0, 10);
}
