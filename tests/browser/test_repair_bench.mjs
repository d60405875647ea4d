// SPDX-License-Identifier: GPL-3.0-or-later
//
// The repair on a real bench: the daemon, a simulated supply that it switches, the
// page in Chromium; from intake to record by keyboard alone and by touch alone, two
// tablets, the daemon started again under an open page.

import assert from 'node:assert/strict';

import { clean } from './accessibility.mjs';
import { RealBench } from './bench_process.mjs';
import { LANDSCAPE, PORTRAIT, closeBrowser, openPage, theBrowser } from './browser.mjs';
import { check, finish, sleep, until } from './check.mjs';
import { shows, text } from './mock_page.mjs';
import { intakeSlip, keyboardHand, repair, touchHand } from './repair_flow.mjs';

const TYPE = 'Reefer controller';

const bench = await RealBench.start({ options: ['--time-scale', '2'], control: 'on' });
await bench.teachRange(TYPE, 0.21, 0.27, 4);
await until(async () => (await bench.supplyItem()).state === 'reading', 'the supply reads');

const orderOf = async (serial) => {
  const { items } = await bench.ask('GET', `work-orders?unit=${serial}`);
  return bench.ask('GET', `work-orders/${items[0].id}`);
};

// A scene on a page of the one bench; what it leaves on the bench is taken off.
function benchCheck(name, scene, size = LANDSCAPE, options = {}) {
  check(`repair: ${name}`, async () => {
    let page = null;
    try {
      await bench.ask('PUT', 'supplies/left/on-bench',
        { module_type: TYPE, unit: null, work_order: null, stage: null });
      page = await openPage(await theBrowser(), bench.url, size, options);
      await shows(page, 'order', 'no unit yet');
      await until(() => page.locator('#switch-on').isEnabled(), 'it may be switched on');
      const note = await scene(page);
      assert.deepEqual(page.complaints, []);
      return note;
    } catch (error) {
      error.stack += `\ndaemon: ${bench.daemon.said}\npage: ${await page?.locator('body').innerText()}`;
      throw error;
    } finally {
      await bench.say('output off');
      await page?.context().close();
    }
  });
}

async function wholeRepair(page, hand, serial) {
  const href = await repair(hand, page, {
    serial, type: TYPE, seen: (id, words) => shows(page, id, words),
    on: () => until(async () => (await bench.supplyItem()).output_on, 'on went out'),
    off: () => until(async () => (await bench.supplyItem()).output_on === false, 'off went out'),
  });
  const order = await orderOf(serial);
  assert.deepEqual([order.outcome, order.found_cause, order.hand, order.power_ups],
    ['repaired', 'cracked joint at the inductor', 'MK', 1]);
  assert.deepEqual(order.notes.map((note) => [note.stage, note.text]), [['intake', 'crack beside the inductor']]);
  assert.deepEqual(order.meter_readings.map((each) => [each.stage, each.what, each.value, each.unit]),
    [['after rework', 'core rail', 1.18, 'V']]);
  assert.equal(href, `/record.html#${order.record}`);
  assert.equal((await bench.newest()).unit, serial);
}

benchCheck('intake to record by keyboard alone', (page) => wholeRepair(page, keyboardHand(page), 'HL-0101'));

benchCheck('intake to record by touch alone, upright', (page) => wholeRepair(page, touchHand(page), 'HL-0102'),
  PORTRAIT, { hasTouch: true });

benchCheck('two tablets on one order, the daemon started again under both', async (page) => {
  const other = await openPage(await theBrowser(), bench.url, PORTRAIT, { hasTouch: true });
  const keyboard = keyboardHand(page);
  const touch = touchHand(other);
  try {
    await keyboard.scan('HL-0103');
    await intakeSlip(page);
    await keyboard.press(TYPE);
    await keyboard.press('Take it in');
    for (const each of [page, other]) await shows(each, 'entry-unit', 'HL-0103');
    await keyboard.press('Note');
    await keyboard.write('Note', 'written by the first');
    await until(() => other.locator('#deed-reading').count(), 'the order on the other');
    await touch.press('Reading');
    await touch.press('reset');
    await touch.write('Value', '3.3');
    await bench.daemon.stop('SIGKILL');
    await shows(page, 'mark', 'no word');
    await keyboard.press('Write it down');
    await until(async () => /Not done/.test(await page.locator('dialog[open]').innerText()), 'said on the slip');
    await bench.startDaemon();
    await shows(page, 'mark', 'waiting');
    await keyboard.press('Write it down');
    await touch.press('Write it down');
    for (const each of [page, other]) await shows(each, 'order', '1 note, 1 reading');
    await touch.press('after rework');
    await until(async () => await page.locator('.station[aria-pressed="true"]').innerText() === 'after rework', 'the stage on the first');
    await page.reload();
    await shows(page, 'order', '1 note, 1 reading');
    const order = await orderOf('HL-0103');
    assert.deepEqual([order.notes.length, order.meter_readings.length, order.stage], [1, 1, 'after rework']);
    assert.deepEqual(other.complaints, []);
  } finally {
    await other.context().close();
  }
});

benchCheck('undo, back on the bench, a photo, a wrong one moved, a good one under heat', async (page) => {
  const hand = keyboardHand(page);
  await hand.scan('HL-0104');
  await intakeSlip(page);
  await hand.press(TYPE);
  await page.getByRole('button', { name: 'coin cell' }).click();
  await page.locator('dialog[open]').getByRole('textbox', { name: 'supply to ground' }).fill('1.2k');
  await page.locator('.photo-input').setInputFiles({ name: 'a.png', mimeType: 'image/png', buffer: await picture(page) });
  await hand.press('Take it in');
  await shows(page, 'order', '1 reading, 1 photo');
  const order = await orderOf('HL-0104');
  assert.deepEqual([order.cells, order.meter_readings[0].before_power, order.meter_readings[0].value], ['coin cell', true, 1200]);
  assert.equal(order.photos[0].media_type, 'image/jpeg');
  await hand.press('heat check');
  await shows(page, 'undo', 'before any heat');
  await bench.say('output on');
  await until(async () => await page.locator('#mark .mark').count() === 1, 'a verdict');
  await shows(page, 'mark', 'unsure');
  await shows(page, 'reason', 'heat');
  await bench.say('output off');
  await until(async () => (await bench.newest()).ended_why, 'its end is kept');
  const { id } = await bench.newest();
  await page.locator(`.counterfoil[data-power-up="${id}"]`).click();
  await shows(page, 'copy-text', 'earlier power-up: ');
  await page.locator('#copy-move').click();
  await page.locator('dialog[open]').getByRole('textbox', { name: 'Stage' }).fill('intake');
  await page.locator('dialog[open]').getByRole('textbox', { name: 'Why' }).fill('it was cold by then');
  await hand.press('Move it');
  await shows(page, 'undo', `power-up ${id} moved`);
  assert.equal((await bench.ask('GET', `power-ups/${id}`)).stage, 'intake');
  assert.match(await text(page, 'entry-stage'), /intake/);
});

benchCheck('after a long off: still this unit? its verdict all the same; another one', async (page) => {
  await bench.ask('PUT', 'settings', { ask_after_min: 0.02 });
  try {
    const hand = keyboardHand(page);
    await hand.scan('HL-0103');
    await shows(page, 'entry-unit', 'HL-0103');
    await sleep(1500);
    await bench.say('output on');
    await shows(page, 'still-text', 'still HL-0103');
    await until(async () => await page.locator('#mark .mark').count() === 1, 'the verdict all the same');
    await hand.press('Another unit');
    await shows(page, 'entry-unit', 'not said yet');
    await until(async () => (await bench.newest()).unit === null, 'the power-up is nobody\u2019s');
    assert.equal(await page.locator('#mark .mark').count(), 1);
    await shows(page, 'undo', 'HL-0103 is off the bench');
    await hand.press('Undo');
    await shows(page, 'entry-unit', 'HL-0103');
    await until(async () => (await bench.newest()).unit === 'HL-0103', 'its own again');
    await bench.say('output off');
    await until(async () => (await bench.newest()).ended_why, 'its end is kept');
    await sleep(1500);
    await bench.say('output on');
    await shows(page, 'still-text', 'still HL-0103');
    await hand.press('Yes');
    await until(async () => (await bench.supplyItem()).ask_unit === false, 'confirmed');
  } finally {
    await bench.ask('PUT', 'settings', { ask_after_min: 20 });
  }
});

async function picture(page) {
  return Buffer.from(await page.evaluate(() => {
    const canvas = document.createElement('canvas');
    canvas.width = 1800;
    canvas.height = 1000;
    canvas.getContext('2d').fillRect(0, 0, 900, 900);
    return canvas.toDataURL('image/png').split(',')[1];
  }), 'base64');
}

// --- every page ---

const PAGES_HERE = ['', 'folder.html', 'folder.html#HL-0101', 'record.html#1', 'references.html', 'check.html', 'ledger.html', 'outputs.html', 'shop.html'];

for (const colorScheme of ['light', 'dark']) {
  for (const [name, size] of [['flat', LANDSCAPE], ['upright', PORTRAIT]]) {
    benchCheck(`every page in ${colorScheme}, ${name}: Off in reach, nothing found against it`, async (page) => {
      await bench.say('output on');
      for (const path of PAGES_HERE) {
        await page.goto('about:blank');
        await page.goto(bench.url + path);
        await until(() => page.locator('.spine .off').isVisible(), `Off on /${path}`);
        await until(() => page.locator('main').innerText(), `something on /${path}`);
        const [wide, there] = await page.evaluate(() => [document.documentElement.scrollWidth, innerWidth]);
        assert.ok(wide <= there, `/${path} is ${wide} px wide in ${there}`);
        await clean(page, `/${path}`);
      }
      const links = await page.evaluate(() => [...document.querySelectorAll('.spine-pages a')].map((each) => each.href));
      for (const link of links) assert.equal((await fetch(link)).status, 200, link);
      await page.locator('.spine .off').click();
      await until(async () => (await bench.supplyItem()).output_on === false, 'off from there');
    }, size, { colorScheme, reducedMotion: 'reduce' });
  }
}

await finish(async () => {
  await closeBrowser();
  await bench.stop();
});
