// SPDX-License-Identifier: GPL-3.0-or-later
//
// The page's hands on a real output: the daemon switches a simulated supply over a real
// port. A short is found at the look and refused; Off reaches the supply; a hold lets
// nothing but Off through; a hand at the front panel is told; the log has it all.

import assert from 'node:assert/strict';

import { RealBench } from './bench_process.mjs';
import { closeBrowser, openPage, theBrowser } from './browser.mjs';
import { assertPace, check, finish, until } from './check.mjs';

const TYPE = 'Reefer controller';
const GONE_S = 5;
const OFF_MOST_MS = 200; // 100 ms from the touch, and a reply that was outstanding

function benchCheck(name, scene) {
  check(`outputs: ${name}`, async () => {
    const bench = await RealBench.start({ options: ['--time-scale', '2'], control: 'on' });
    let page = null;
    try {
      await bench.teachRange(TYPE, 0.21, 0.27, 4);
      await bench.ask('POST', 'module-types', { name: TYPE, nominal_voltage_V: 24, current_limit_A: 1.5, look_limit_A: 0.5 });
      await until(async () => (await bench.supplyItem()).state === 'reading', 'the supply reads');
      page = await openPage(await theBrowser(), bench.url);
      await shows(page, 'mark', 'waiting');
      const note = await scene(page, bench);
      assert.deepEqual(page.complaints, []);
      return note;
    } catch (error) {
      error.stack += `\ndaemon: ${bench.daemon.said}\npage: ${await page?.locator('body').innerText()}`;
      throw error;
    } finally {
      await page?.context().close();
      await bench.stop();
    }
  });
}

const text = async (page, id) => (await page.locator(`#${id}`).innerText()).replaceAll('\u00a0', ' ');
const shows = (page, id, wanted) => until(
  async () => (await text(page, id)).toLowerCase().includes(wanted.toLowerCase()), `#${id} shows "${wanted}"`,
);
const isOn = (bench, on) => until(async () => (await bench.supplyItem()).output_on === on, `it reads ${on ? 'on' : 'off'}`);

async function hold(page, selector, until_) {
  await page.locator(selector).focus();
  await page.keyboard.down(' ');
  await until_();
  await page.keyboard.up(' ');
}

benchCheck('on after a look, judged, off within its time; the log of it', async (page, bench) => {
  await page.evaluate(() => localStorage.setItem('bench.hand', 'TM'));
  await hold(page, '#switch-on', () => shows(page, 'mark', 'watching'));
  await shows(page, 'output-last', 'on by the page (tm), ');
  await until(async () => await page.locator('#mark .mark[data-verdict="good"]').count() === 1, 'good');
  // From the finger to the reading that says off: the answer comes once it is confirmed.
  await page.evaluate(() => {
    const { fetch } = window;
    window.took_ms = null;
    let down_ms = null;
    addEventListener('pointerdown', (event) => { down_ms = event.timeStamp; }, true);
    window.fetch = async (...asked) => {
      const answer = await fetch(...asked);
      if (String(asked[0]).endsWith('/output')) window.took_ms = performance.now() - down_ms;
      return answer;
    };
  });
  await page.locator('.spine .off').click();
  await isOn(bench, false);
  const took_ms = await until(() => page.evaluate(() => window.took_ms), 'answered');
  await shows(page, 'output-last', 'off by the page (tm), ');
  await page.goto(`${bench.url}outputs.html`);
  await until(async () => await page.locator('.outputs-line').count() >= 4, 'the log');
  const whats = (await page.locator('.outputs-what').allInnerTexts()).reverse();
  assert.deepEqual(whats, ['looked at first', 'set', 'on', 'off']);
  assert.equal(await page.locator('.outputs-line').filter({ hasText: 'the page (TM)' }).count() >= 2, true);
  await assertPace(took_ms < OFF_MOST_MS, `confirmed after ${took_ms.toFixed(0)} ms`);
  return `confirmed ${took_ms.toFixed(0)} ms after the finger`;
});

benchCheck('a short is found at the look: refused, off, said in words', async (page, bench) => {
  await bench.say('fault short');
  await hold(page, '#switch-on', () => shows(page, 'mark', 'not on'));
  await shows(page, 'reason', 'not switched on: ');
  await shows(page, 'reason', 'short');
  await isOn(bench, false);
  await page.goto(`${bench.url}outputs.html`);
  await until(async () => /not switched on/.test(await page.locator('#log').innerText()), 'the log has it');
});

benchCheck('hold: On refused, another unit refused, a deliberate Off goes through; kept over a restart', async (page, bench) => {
  await hold(page, '#switch-on', () => shows(page, 'mark', 'watching'));
  await page.locator('#hold-begin').click();
  await page.getByRole('button', { name: 'It is: hold' }).click();
  const held = () => page.locator('.hold-bar').filter({ hasText: 'left: memory of HL-0001 is being read or written' }).count();
  await until(held, 'the bar');
  await page.locator('#scan-field').fill('HL-0777');
  await page.keyboard.press('Enter');
  await until(async () => /HL-0777 is new here/.test(await page.locator('dialog[open]').innerText()), 'the intake slip');
  await page.getByRole('button', { name: TYPE }).click();
  await page.getByRole('button', { name: 'Take it in' }).click();
  await until(async () => /end the hold first/i.test(await page.locator('dialog[open]').innerText()), 'refused there');
  await page.keyboard.press('Escape');
  // The daemon stops and starts: the output stays on, the hold stands.
  await bench.daemon.stop();
  await bench.startDaemon();
  await until(held, 'the bar again');
  await isOn(bench, true);
  await page.locator('.spine .off').click();
  await isOn(bench, false);
  await until(() => page.locator('#switch-on').isDisabled(), 'On waits');
  await hold(page, '.hold-end', () => until(async () => await held() === 0, 'the hold is over'));
  await until(() => page.locator('#switch-on').isEnabled(), 'On again');
});

benchCheck('a hand at the supply wins and is told', async (page, bench) => {
  await bench.say('output on');
  await shows(page, 'output-last', 'on by a hand at the supply');
  await bench.say('output off');
  await shows(page, 'output-last', 'off by a hand at the supply');
});

benchCheck('the page that switched it on is gone: off after its time, said on the next one', async (page, bench) => {
  await bench.ask('PUT', 'settings', { page_gone_s: GONE_S });
  await hold(page, '#switch-on', () => shows(page, 'mark', 'watching'));
  // From page to page in the same tab, for longer than that: it is still there.
  const from_ms = Date.now();
  while (Date.now() - from_ms < 1500 * GONE_S) {
    for (const path of ['shop.html', 'outputs.html', '']) {
      await page.goto(bench.url + path);
      await until(() => page.locator('.spine .off').count(), `the stream on /${path}`);
    }
    assert.equal((await bench.supplyItem()).output_on, true);
  }
  const other = await page.context().newPage();
  await other.goto(bench.url);
  await page.goto('about:blank');
  await isOn(bench, false);
  await shows(other, 'reason', 'switched off by wakedraw: the page that switched it on is gone');
});

benchCheck('the supply is unplugged: Off is not confirmed, and says so until it got through', async (page, bench) => {
  await hold(page, '#switch-on', () => shows(page, 'mark', 'watching'));
  await bench.say('unplug');
  await page.locator('#switch-off').click();
  const bars = () => page.locator('.spine-bars').innerText();
  await until(async () => /left: Off was not confirmed\. Use the switch on the supply\./.test(await bars()), 'the bar');
  await shows(page, 'switch-note', 'use the switch on the supply');
  await bench.say('replug');
  await isOn(bench, false);
  await until(async () => await bars() === '', 'and it got through');
});

await finish(closeBrowser);
