// SPDX-License-Identifier: GPL-3.0-or-later
//
// From intake to record by keyboard alone and by touch alone, upright and flat, on
// the mock bench; and what an accessibility engine finds on the page and its slips.

import assert from 'node:assert/strict';

import { clean } from './accessibility.mjs';
import { LANDSCAPE, PORTRAIT, closeBrowser } from './browser.mjs';
import { finish, until } from './check.mjs';
import { pageCheck, powerUp, shows } from './mock_page.mjs';
import { keyboardHand, repair, touchHand } from './repair_flow.mjs';
import { BAD, BAD_PHASES, TYPE, sendRun } from './scenes.mjs';

function repairOn(mock, page, hand, serial) {
  return repair(hand, page, {
    serial, type: TYPE.name, seen: (id, words) => shows(page, id, words),
    on: async () => {
      await until(() => mock.supplies.get('left').output_on, 'on went out');
      mock.begin('left', '5', 1000, 8);
      sendRun(mock, 'left', 'bad', 1000, 0, 4);
      mock.judge('5', BAD, BAD_PHASES);
      mock.goOn('left');
    },
    off: async () => {
      await until(() => mock.supplies.get('left').output_on === false, 'off went out');
      mock.end('5', 'output off');
    },
  });
}

const prepare = (mock) => Object.assign(mock.supplies.get('left'), {
  control: true, unit: null, work_order: null, stage: null,
});

for (const [name, size] of [['1280x800', LANDSCAPE], ['800x1280', PORTRAIT]]) {
  pageCheck(`intake to record by keyboard alone at ${name}`, async (page, mock) => {
    sendRun(mock, 'left', 'good', 990, -1, -0.5);
    mock.goOn('left');
    assert.match(await repairOn(mock, page, keyboardHand(page), 'RC4-0701'), /^\/record\.html#/);
  }, { size, prepare });

  pageCheck(`intake to record by touch alone at ${name}`, async (page, mock) => {
    sendRun(mock, 'left', 'good', 990, -1, -0.5);
    mock.goOn('left');
    assert.match(await repairOn(mock, page, touchHand(page), 'RC4-0702'), /^\/record\.html#/);
  }, { size, prepare, options: { hasTouch: true } });
}

// --- what the engine finds ---

for (const colorScheme of ['light', 'dark']) {
  for (const [name, size] of [['1280x800', LANDSCAPE], ['800x1280', PORTRAIT]]) {
    pageCheck(`accessibility in ${colorScheme} at ${name}: nothing found`, async (page, mock) => {
      mock.addSupply('right', { output: 2, state: 'gone', problem: 'no answer' });
      mock.tell('right');
      mock.orders.orders[0].cells = 'coin cell';
      mock.tell('left', { control: true });
      await page.evaluate(() => document.documentElement.classList.add('still'));
      await until(() => page.locator('#deed-note').count(), 'the order');
      await clean(page, 'unheard');
      await powerUp(page, mock, 'bad', BAD, BAD_PHASES);
      await until(async () => await page.locator('#mark .mark').count() === 1, 'the mark');
      await clean(page, 'bad');
      mock.tell('left', { ask_unit: true });
      await until(() => page.locator('#still').isVisible(), 'the question');
      await clean(page, 'still this unit');
      mock.tell('left', { ask_unit: false });
      await page.getByRole('button', { name: 'heat check' }).click();
      await shows(page, 'undo', 'before any heat');
      await clean(page, 'the strip');
      await page.getByRole('button', { name: 'Understood' }).click();
      for (const deed of ['note', 'reading', 'photo', 'close']) {
        await page.locator(`#deed-${deed}`).click();
        await clean(page, deed);
        await page.keyboard.press('Escape');
      }
      await page.locator('.order-about').click();
      await clean(page, 'about');
      await page.keyboard.press('Escape');
      await page.locator('#entries-change').click();
      await clean(page, 'on the bench');
      await page.keyboard.press('Escape');
      await page.keyboard.type('RC4-0703\n');
      await until(() => page.locator('dialog[open]').count(), 'the intake slip');
      await page.getByRole('button', { name: TYPE.name }).click();
      await clean(page, 'intake');
      await page.keyboard.press('Escape');
      await page.locator('.counterfoil[data-power-up="2"]').click();
      await shows(page, 'copy-text', 'earlier power-up: ');
      await clean(page, 'a copy');
      await page.locator('#copy-move').click();
      await clean(page, 'moving');
    }, { size, options: { colorScheme, reducedMotion: 'reduce' } });
  }
}

await finish(closeBrowser);
