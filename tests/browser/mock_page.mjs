// SPDX-License-Identifier: GPL-3.0-or-later
//
// The bench page open on the mock bench, and what is asked of it.

import assert from 'node:assert/strict';

import { LANDSCAPE, openPage, theBrowser } from './browser.mjs';
import { check, until } from './check.mjs';
import { MockBench } from './mock.mjs';
import { furnish, sendRun } from './scenes.mjs';

// Runs a scene on a furnished mock bench and an open page, and ends both.
// prepare(mock): before the page is opened.
export function pageCheck(name, scene, {
  size = LANDSCAPE, furnished = true, options = {}, hash = '', prepare = () => {},
} = {}) {
  check(`page: ${name}`, async () => {
    const mock = new MockBench();
    if (furnished) furnish(mock);
    prepare(mock);
    await mock.start();
    let page = null;
    try {
      page = await openPage(await theBrowser(), mock.url + hash, size, options, mock.url);
      await until(() => mock.streams.size === 1, 'the page opens its one stream');
      if (furnished) await until(() => page.locator('.counterfoil').count(), 'the strip is there');
      const note = await scene(page, mock);
      assert.deepEqual(page.complaints, []);
      return note;
    } finally {
      await page?.context().close();
      await mock.stop();
    }
  });
}

export const text = async (page, id) => (await page.locator(`#${id}`).innerText()).replaceAll('\u00a0', ' ');
export const shows = (page, id, wanted) => until(
  async () => (await text(page, id)).toLowerCase().includes(wanted.toLowerCase())
    || (await text(page, id), false), `#${id} shows "${wanted}"`,
);
export const markOf = (page) => page.locator('#mark .mark').getAttribute('data-verdict');
export const noMark = (page) => until(async () => await page.locator('#mark .mark').count() === 0,
  'no verdict in the live place');

export async function powerUp(page, mock, kind, verdict, phases, to_s = 6.4, judging = {}) {
  sendRun(mock, 'left', kind, 1000, -3, 0.1);
  mock.begin('left', '5', 1000, 8);
  sendRun(mock, 'left', kind, 1000, 0.1, to_s);
  if (verdict) mock.judge('5', verdict, phases, judging);
  mock.goOn('left');
}

// Nothing wider than the page, nothing too small for a finger, strong lines large,
// and no bar, button or line of the head over another.
export async function laidOut(page, what) {
  const found = await page.evaluate(() => {
    const seen = (selector) => [...document.querySelectorAll(selector)].filter((each) => each.checkVisibility());
    const name = (each) => `${each.id || each.className} "${each.textContent.slice(0, 30)}"`;
    const boxes = seen('.spine .off, .spine-light, .off-failure, .hold-bar, .hold-end, .spine-pages, #switch-off, #switch-on, '
      + '#switch-note, #output-last, #cautions, #strip, .judgement, .trace, .entries, .route')
      .map((each) => ({ each, name: name(each), box: each.getBoundingClientRect() }));
    const over = [];
    for (const one of boxes) {
      for (const other of boxes) {
        if (one === other || one.each.contains(other.each) || other.each.contains(one.each)) continue;
        const wide = Math.min(one.box.right, other.box.right) - Math.max(one.box.left, other.box.left);
        const high = Math.min(one.box.bottom, other.box.bottom) - Math.max(one.box.top, other.box.top);
        if (wide > 1 && high > 1) over.push(`${one.name} over ${other.name}`);
      }
    }
    return {
      over: over.slice(0, 4), wide: document.documentElement.scrollWidth, there: innerWidth,
      low: seen('.spine button, .spine-bars button, .spine a, .switch button')
        .filter((each) => each.getBoundingClientRect().height < 47.5).map(name),
      small: seen('.hold-head, .off-failure, .switch-note').filter((each) => each.textContent)
        .filter((each) => parseFloat(getComputedStyle(each).fontSize) < 20).map(name),
    };
  });
  assert.deepEqual(found.over, [], `${what}: lies over another`);
  assert.ok(found.wide <= found.there, `${what}: ${found.wide} px wide in ${found.there}`);
  assert.deepEqual(found.low, [], `${what}: lower than a finger`);
  assert.deepEqual(found.small, [], `${what}: not to be read at arm's length`);
}
