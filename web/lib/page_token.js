// SPDX-License-Identifier: GPL-3.0-or-later
//
// What this page calls itself: kept for as long as the browser's tab is, through
// every page that is opened in it. It travels with the live stream and with On, so
// that the bench knows whether the page that switched an output on is still there.

const KEY = 'bench.page';
const BYTES = 16;

export function pageToken() {
  const kept = sessionStorage.getItem(KEY);
  if (kept) return kept;
  const made = [...crypto.getRandomValues(new Uint8Array(BYTES))]
    .map((byte) => byte.toString(16).padStart(2, '0')).join('');
  sessionStorage.setItem(KEY, made);
  return made;
}

export function livePath() {
  return `/api/v1/live?page=${pageToken()}`;
}
