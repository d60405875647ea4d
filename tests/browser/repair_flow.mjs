// SPDX-License-Identifier: GPL-3.0-or-later
//
// One repair on the bench page from intake to record, by a hand that has only a
// keyboard, and by one that only touches.

import { until } from './check.mjs';

// Tab until what is focused is a `tag` with these words (or with this label).
async function reach(page, words) {
  for (let i = 0; i < 90; i++) {
    const found = await page.evaluate((wanted) => {
      const at = document.activeElement;
      const label = at.labels?.[0]?.textContent ?? '';
      return [at.textContent, label, at.getAttribute('aria-label') ?? '']
        .some((text) => text.trim() === wanted || (at.matches('input, textarea') && text.trim().startsWith(wanted)));
    }, words);
    if (found) return;
    await page.keyboard.press('Tab');
  }
  throw new Error(`no Tab reaches "${words}"`);
}

export const keyboardHand = (page) => ({
  scan: async (serial) => {
    await page.keyboard.type(serial);
    await page.keyboard.press('Enter');
  },
  press: async (words) => {
    await reach(page, words);
    await page.keyboard.press('Enter');
  },
  write: async (label, text) => {
    await reach(page, label);
    await page.keyboard.press('Control+a');
    await page.keyboard.type(text);
  },
  hold: async (words, held) => {
    await reach(page, words);
    await page.keyboard.down(' ');
    await held();
    await page.keyboard.up(' ');
  },
});

// A finger; what it writes comes from the tablet's own keyboard, without keys.
export const touchHand = (page) => {
  const named = (words) => page.locator('button, a, label.tick').filter({ visible: true })
    .and(page.getByText(words, { exact: true }).or(page.getByRole('button', { name: words, exact: true })))
    .last();
  return {
    scan: async (serial) => {
      await page.locator('#scan-field').tap();
      await page.keyboard.insertText(serial);
      await page.locator('#scan-go').tap();
    },
    press: (words) => named(words).tap(),
    write: async (label, text) => {
      const field = page.locator('dialog[open]').getByRole('textbox', { name: label });
      await field.tap();
      await field.evaluate((each) => each.select());
      await page.keyboard.insertText(text);
    },
    hold: async (words, held) => {
      const box = await named(words).boundingBox();
      const session = await page.context().newCDPSession(page);
      const touchPoints = [{ x: box.x + box.width / 2, y: box.y + box.height / 2 }];
      await session.send('Input.dispatchTouchEvent', { type: 'touchStart', touchPoints });
      await held();
      await session.send('Input.dispatchTouchEvent', { type: 'touchEnd', touchPoints: [] });
    },
  };
};

// The slip of a unit that is new here; what went wrong instead is told at once.
export async function intakeSlip(page) {
  await until(async () => {
    const strip = page.locator('#undo[data-tone="trouble"]');
    if (await strip.isVisible()) throw new Error(await strip.innerText());
    return page.locator('dialog[open]').count();
  }, 'the intake slip');
}

// seen(id, words): waits until the page shows them. off(): the output is off again.
export async function repair(hand, page, { serial, type, seen, off, on }) {
  await hand.scan(serial);
  await intakeSlip(page);
  await hand.press(type);
  await hand.press('Take it in');
  await seen('entry-unit', serial);
  await hand.hold('Hold for on', on);
  await until(async () => await page.locator('#mark .mark').count() === 1, 'a verdict at intake');
  await hand.press('Off');
  await off();
  await hand.press('Note');
  await hand.write('Note', 'crack beside the inductor');
  await hand.press('Write it down');
  await seen('order', '1 note');
  await hand.press('after rework');
  await until(async () => await page.locator('.station[aria-pressed="true"]').innerText() === 'after rework', 'the stage');
  await hand.press('Reading');
  await hand.press('core rail');
  await hand.write('Value', '1.18');
  await hand.press('Write it down');
  await seen('order', '1 reading');
  await hand.press('final');
  await until(async () => await page.locator('.station[aria-pressed="true"]').innerText() === 'final', 'the stage');
  await hand.press('Close');
  await hand.press('repaired');
  await hand.write('Found cause', 'cracked joint at the inductor');
  await hand.write('Hand', 'MK');
  await hand.press('Close it');
  await seen('order', `${serial} closed today: repaired`);
  await hand.press('Write the record');
  await hand.press('Write it');
  await until(() => page.locator('#order a', { hasText: 'See the record' }).count(), 'the record');
  return page.locator('#order a', { hasText: 'See the record' }).getAttribute('href');
}
