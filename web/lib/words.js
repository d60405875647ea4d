// SPDX-License-Identifier: GPL-3.0-or-later
//
// Numbers and times as the page prints them. Pure.

const NOT_KNOWN = '–';
const TIED = '\u00a0'; // a figure and its unit stay on one line

const isNumber = (value) => typeof value === 'number' && Number.isFinite(value);

// "0.251 A"; two decimals from 10 A.
export function amperes(value) {
  return isNumber(value) ? `${figure(value)}${TIED}A` : NOT_KNOWN;
}

// The same without the unit, for a column that names it.
export function figure(ampere) {
  return isNumber(ampere) ? plain(ampere, Math.abs(ampere) < 10 ? 3 : 2) : NOT_KNOWN;
}

export function figureRange(low, high) {
  return isNumber(low) && isNumber(high) ? `${plain(low, 3)} to ${plain(high, 3)}` : '';
}

export function volts(value) {
  return isNumber(value) ? `${plain(value, 2)}${TIED}V` : NOT_KNOWN;
}

// "0.24 to 0.27 A"
export function ampereRange(low, high) {
  const range = figureRange(low, high);
  return range && `${range}${TIED}A`;
}

// A time since onset: "0.35", "12.4"; without the unit.
export function instant(seconds) {
  if (!isNumber(seconds)) return NOT_KNOWN;
  return plain(seconds, Math.abs(seconds) < 10 ? 2 : 1);
}

// How long something lasts or has lasted: "3.2 s", "4 min 05 s", "2 h 10 min".
export function duration(seconds) {
  if (!isNumber(seconds)) return NOT_KNOWN;
  if (seconds < 60) return `${plain(seconds, 1)}${TIED}s`;
  const whole = Math.floor(seconds);
  if (whole < 3600) return `${Math.floor(whole / 60)} min ${two(whole % 60)} s`;
  return `${Math.floor(whole / 3600)} h ${two(Math.floor((whole % 3600) / 60))} min`;
}

// Short spans in milliseconds: "0.4 ms", "120 ms".
export function milliseconds(seconds) {
  if (!isNumber(seconds)) return NOT_KNOWN;
  const value = seconds * 1000;
  return `${plain(value, value < 10 ? 1 : 0)}${TIED}ms`;
}

export function perSecond(hz) {
  return isNumber(hz) ? `${plain(hz, hz < 20 ? 1 : 0)} a second` : NOT_KNOWN;
}

// The tablet's local time of an RFC 3339 instant or of milliseconds: "08:41:09".
export function clockTime(when, withSeconds = true) {
  const date = new Date(when);
  if (when === null || when === undefined || Number.isNaN(date.getTime())) return NOT_KNOWN;
  const minutes = `${two(date.getHours())}:${two(date.getMinutes())}`;
  return withSeconds ? `${minutes}:${two(date.getSeconds())}` : minutes;
}

// "today", or "31 January", or "31 January 2025".
export function day(when, now = Date.now()) {
  const date = new Date(when);
  const today = new Date(now);
  if (Number.isNaN(date.getTime())) return NOT_KNOWN;
  if (date.toDateString() === today.toDateString()) return 'today';
  const months = ['January', 'February', 'March', 'April', 'May', 'June', 'July', 'August',
    'September', 'October', 'November', 'December'];
  const text = `${date.getDate()} ${months[date.getMonth()]}`;
  return date.getFullYear() === today.getFullYear() ? text : `${text} ${date.getFullYear()}`;
}

export function counted(number, one, many = `${one}s`) {
  return `${number} ${number === 1 ? one : many}`;
}

function plain(value, decimals) {
  const text = value.toFixed(decimals);
  return Number(text) === 0 ? (0).toFixed(decimals) : text;
}

function two(number) {
  return String(number).padStart(2, '0');
}
