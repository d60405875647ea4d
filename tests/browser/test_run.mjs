// SPDX-License-Identifier: GPL-3.0-or-later
//
// Powering up again and again from the page, on a real bench: begun by holding, told
// as it goes, through a reload, ended by itself, by hand and by Off; by hand where
// control is off; and a soak's drop on the copy.

import assert from 'node:assert/strict';

import { RealBench } from './bench_process.mjs';
import { LANDSCAPE, PORTRAIT, closeBrowser, openPage, theBrowser } from './browser.mjs';
import { clean } from './accessibility.mjs';
import { check, finish, until } from './check.mjs';

const TYPE = 'Reefer controller';

function runCheck(name, scene, { control = 'on', size = LANDSCAPE, watch_s = 2.5 } = {}) {
  check(`run: ${name}`, async () => {
    const bench = await RealBench.start({ options: ['--time-scale', '4'], control });
    let page = null;
    try {
      await bench.teachRange(TYPE, 0.21, 0.27, watch_s);
      await until(async () => (await bench.supplyItem()).state === 'reading', 'the supply reads');
      page = await openPage(await theBrowser(), bench.url, size);
      await until(() => page.locator('#run-begin').isVisible(), 'a run can be begun');
      await scene(page, bench);
      assert.deepEqual(page.complaints, []);
    } catch (error) {
      error.stack += `\ndaemon: ${bench.daemon.said}\npage: ${await page?.locator('#run').innerText()}`;
      throw error;
    } finally {
      await page?.context().close();
      await bench.stop();
    }
  });
}

const text = async (page) => (await page.locator('#run').innerText()).replaceAll('\u00a0', ' ');
const shows = (page, wanted) => until(async () => wanted.test(await text(page)), `the run shows ${wanted}`);
const noSlip = (page) => until(async () => await page.locator('dialog[open]').count() === 0, 'the slip is gone');
const button = (page, name) => page.locator('dialog[open]').getByRole('button', { name, exact: true });
const isOff = (bench) => until(async () => (await bench.supplyItem()).output_on === false, 'it reads off');

async function laySlip(page, wanted, off_s) {
  await page.locator('#run-begin').click();
  await page.locator('#field-run-wanted').fill(String(wanted));
  await page.locator('#field-run-off').fill(String(off_s));
}

async function hold(page) {
  const { x, y, width, height } = await page.locator('.run-hold').boundingBox();
  await page.mouse.move(x + width / 2, y + height / 2);
  await page.mouse.down();
  await noSlip(page);
  await page.mouse.up();
}

for (const [name, size] of [['1280x800', LANDSCAPE], ['800x1280', PORTRAIT]]) {
  runCheck(`three, to the result, which stays until it is put away, at ${name}`, async (page, bench) => {
    await laySlip(page, 3, 0.5);
    await until(async () => /About 15 s in all/.test((await page.locator('.run-whole').innerText()).replaceAll('\u00a0', ' ')),
      'how long it will take');
    await clean(page, 'the slip');
    // A touch is not enough: it will switch the output on.
    await page.locator('.run-hold').click();
    assert.equal((await bench.supplyItem()).run, null);
    await hold(page);
    await shows(page, /0 of 3 power-ups/);
    await shows(page, /1 of 3 power-ups: 1 good, about \d+ s left/);
    assert.equal(await page.getByRole('progressbar').getAttribute('aria-valuenow'), '1');
    await shows(page, /Over, complete: 3 power-ups, 3 good\./);
    // 1 - 0.05^(1/3) = 63 %.
    await shows(page, /Zero failures in 3 bound the failure rate below 63 % \(exact, one-sided 95 %\)/);
    await isOff(bench);
    await page.reload();
    await shows(page, /Over, complete/);
    await page.locator('#run-away').click();
    await until(async () => await page.locator('#run-away').count() === 0, 'it is put away');
    await page.reload();
    await until(() => page.locator('#run-begin').isVisible(), 'and stays so');
    assert.equal(await page.locator('#run-away').count(), 0);
  }, { size });
}

runCheck('it goes on through a reload; End ends it, Off ends it, and it does not come on again', async (page, bench) => {
  await laySlip(page, 50, 0.5);
  await button(page, 'longer').click();
  await page.locator('#field-run-on').fill('60');
  await hold(page);
  await until(async () => (await bench.supplyItem()).power_up, 'the first one is on');
  await page.reload();
  await shows(page, /[01] of 50 power-ups/);
  await clean(page, 'the bench in a run');
  await page.locator('#run-end').click();
  await shows(page, /Over, ended on the page/);
  await isOff(bench);
  await laySlip(page, 50, 0.5);
  await hold(page);
  await until(async () => (await bench.supplyItem()).power_up, 'on again');
  await page.locator('#switch-off').click();
  await shows(page, /Over, switched off on the page/);
  await isOff(bench);
  assert.equal((await bench.supplyItem()).run, null);
});

runCheck('by hand where control is off: it counts, and stops on the first bad one', async (page, bench) => {
  await laySlip(page, 5, 3);
  assert.ok(await button(page, 'by wakedraw').isDisabled());
  await button(page, 'Begin').click();
  await noSlip(page);
  await shows(page, /Switch it off and on by hand/);
  await bench.say('output on');
  await shows(page, /1 of 5 power-ups: 1 good/);
  await bench.say('output off', 'fault low:40');
  await until(async () => (await bench.newest()).ended_why, 'its end is kept');
  await bench.say('output on');
  await shows(page, /Over, stopped on the first bad one/);
  await shows(page, /intermittent: bad in 1 of 2 power-ups, good in 1/i);
  await shows(page, /failure rate of 1\.26 to 98\.7 %/);
}, { control: 'off' });

// An hour at a reading a second, with two drops.
function hourOfSoak() {
  const time_s = Array.from({ length: 3600 }, (_, i) => 3 + i);
  const low = (time) => (time >= 603 && time < 606 ? 0.12 : time >= 1803 && time < 1804 ? 0.06 : 0.24);
  return {
    time_s, voltage_V: time_s.map(() => 24), current_A: time_s.map(low),
    drops: [{ from_s: 603, to_s: 606, low_A: 0.12, of_A: 0.24 }, { from_s: 1803, to_s: 1804, low_A: 0.06, of_A: 0.24 }],
  };
}

runCheck('a soak: its drops are on the copy', async (page, bench) => {
  const id = await bench.catch('HL-0001', 3000);
  await page.route('**/on-time', (route) => route.fulfill({ json: hourOfSoak() }));
  await page.locator(`.counterfoil[data-power-up="${id}"]`).click();
  await until(() => page.locator('#soak').isVisible(), 'the soak is laid out');
  const said = (await page.locator('#soak').innerText()).replaceAll('\u00a0', ' ');
  assert.match(said, /^Soak of 59 min 59 s: 2 drops\. 10 min 0\d s after onset to 0\.120 A of 0\.240 A, for 3\.0 s; 30 min 0\d s/);
  assert.equal(await page.locator('.soak-drop').count(), 2);
  await clean(page, 'the copy with a soak');
  await page.locator('#copy-back').click();
  await until(async () => !await page.locator('#soak').isVisible(), 'and goes with the copy');
  await page.unroute('**/on-time');
  await page.locator(`.counterfoil[data-power-up="${id}"]`).click();
  await until(() => page.locator('#copy-back').isVisible(), 'the copy again');
  assert.ok(!await page.locator('#soak').isVisible(), 'a second more of on-time is no soak');
});

await finish(closeBrowser);
