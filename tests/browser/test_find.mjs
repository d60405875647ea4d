// SPDX-License-Identifier: GPL-3.0-or-later
//
// The page "Find registers" against the real daemon and a Modbus supply that pymodbus
// serves: by touch and by keyboard to a written profile, reloaded in the middle, what is
// wrong named; nothing cut off, nothing found by the accessibility engine.

import assert from 'node:assert/strict';
import { spawn } from 'node:child_process';
import { readFile } from 'node:fs/promises';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';

import { clean } from './accessibility.mjs';
import { RealBench } from './bench_process.mjs';
import { LANDSCAPE, PORTRAIT, closeBrowser, openPage, theBrowser } from './browser.mjs';
import { check, finish, until } from './check.mjs';

const SERVER = fileURLToPath(new URL('../wire/peers/panel_server.py', import.meta.url));
const SHOTS = process.env.SHOTS; // a directory for pictures of it, for the eye

class Panel {
  static async start(seed) {
    const panel = new Panel();
    panel.child = spawn('/usr/bin/python3', [SERVER, String(seed)], { stdio: ['pipe', 'pipe', 'inherit'] });
    panel.lines = createInterface({ input: panel.child.stdout })[Symbol.asyncIterator]();
    const { value } = await panel.lines.next();
    panel.link = value.split(' ')[1];
    return panel;
  }

  async turn({ set_voltage_V, set_limit_A, output_on, connected }) {
    this.child.stdin.write(`${set_voltage_V} ${set_limit_A} ${output_on ? 'on' : 'off'} ${connected}\n`);
    return JSON.parse((await this.lines.next()).value);
  }

  stop() {
    this.child.stdin.end();
  }
}

const bench = await RealBench.start();
const sees = (page, text) => until(() => page.getByText(text).filter({ visible: true }).count(), `"${text}"`);

async function picture(page, name) {
  if (SHOTS) await page.screenshot({ path: join(SHOTS, `${name}.png`), fullPage: true });
}

async function fits(page, size, what) {
  const wide = await page.evaluate(() => document.documentElement.scrollWidth);
  assert.ok(wide <= size.width, `${what}: ${wide} px wide`);
  const small = await page.evaluate(() => [...document.querySelectorAll('a, button, input, select, summary')]
    .filter((each) => each.checkVisibility() && !each.closest('label'))
    .filter((each) => each.getBoundingClientRect().height < 47.5).map((each) => each.outerHTML.slice(0, 120)));
  assert.deepEqual(small, [], `${what}: lower than a finger`);
}

async function fill(page, link, load = 'joined') {
  for (const [name, value] of Object.entries({
    link, rated_voltage_V: '30', rated_current_A: '5', most_voltage_V: '24', most_current_A: '3',
  })) await page.locator(`#begin [name=${name}]`).fill(value);
  await page.locator('#begin [name=load]').selectOption(load);
  await page.locator('#begin [name=to]').fill('300');
}

function findCheck(name, size, options, work) {
  check(name, async () => {
    const panel = await Panel.start(size.width);
    const page = await openPage(await theBrowser(), `${bench.url}find.html`, size, options, bench.url);
    try {
      await work(page, panel);
      assert.deepEqual(page.complaints, []);
    } catch (error) {
      error.stack += `\n${(await page.locator('body').innerText()).slice(0, 2500)}`;
      throw error;
    } finally {
      await page.context().close();
      panel.stop();
    }
  });
}

const finding = (page) => bench.ask('GET', `register-finds/${new URL(page.url()).hash.slice(1)}`);

async function lead(page, panel, press, size, name) {
  let told = null;
  await until(() => new URL(page.url()).hash.length > 1, 'it has begun');
  for (let number = 1; ; number++) {
    const find = await until(async () => {
      const now = await finding(page);
      return (now.state === 'asking' && now.step.number === number) || ['done', 'failed'].includes(now.state) ? now : null;
    }, `step ${number}`);
    if (find.state !== 'asking') return { find, told };
    told = await panel.turn(find.step);
    assert.equal(told.limited, find.step.limited);
    await sees(page, `Step ${number} of`);
    assert.ok((await page.locator('#now').innerText()).includes(`${find.step.set_voltage_V} V`));
    if (number === 2) {
      await clean(page, `${name}, a step`);
      await fits(page, size, `${name}, a step`);
      await picture(page, `${name}-step`);
      await page.reload();
      await sees(page, 'Step 2 of');
    }
    await press('It is so: read');
  }
}

for (const [name, size, options] of [['landscape, by touch', LANDSCAPE, { hasTouch: true }],
  ['portrait, dark, by keyboard', PORTRAIT, { colorScheme: 'dark' }]]) {
  findCheck(`${name}: from a link to a profile`, size, options, async (page, panel) => {
    const press = async (words) => {
      const button = page.getByRole('button', { name: words });
      if (options.hasTouch) return button.tap();
      await button.focus();
      return page.keyboard.press('Enter');
    };
    await clean(page, name);
    await fits(page, size, name);
    await picture(page, `${name}-begin`);
    await fill(page, panel.link);
    await page.locator('#begin [name=most_voltage_V]').fill('40');
    await press('Begin');
    await sees(page, 'at most what the supply can give');
    await page.locator('#begin [name=most_voltage_V]').fill('24');
    await press('Begin');
    const { find, told } = await lead(page, panel, press, size, name);
    assert.equal(find.state, 'done');
    assert.deepEqual(find.findings.map(({ state }) => state), Array(6).fill('found'));
    assert.deepEqual(told.functions.filter((each) => each !== 3 && each !== 4), []);
    await sees(page, 'Found.');
    await page.getByLabel('Name of the profile').fill('No Name');
    await press('Write the profile');
    await sees(page, '"name" must be of the letters');
    await page.getByLabel('Name of the profile').fill(`found-${size.width}`);
    await press('Write the profile');
    await sees(page, 'For the configuration:');
    await clean(page, `${name}, the profile`);
    await fits(page, size, `${name}, the profile`);
    await picture(page, `${name}-profile`);
    const text = await readFile(join(bench.folder, 'data', 'profiles', `found-${size.width}.ini`), 'utf8');
    assert.match(text, /\nvoltage = \d+,/);
    assert.doesNotMatch(text, /\nset_/);
    await press('Write the profile');
    await sees(page, 'there is a profile of this name');
    await press('Begin anew');
    await until(() => page.locator('#begin').isVisible(), 'the beginning');
  });
}

findCheck('a link in use, another dialect, ended in the middle', LANDSCAPE, {}, async (page, panel) => {
  await fill(page, 'tcp:127.0.0.1:5025');
  await page.getByRole('button', { name: 'Begin' }).click();
  await sees(page, '"link" must be a modbus-rtu');
  await fill(page, panel.link);
  await page.getByRole('button', { name: 'Begin' }).click();
  await sees(page, 'Step 1 of');
  const { id } = await finding(page);
  await page.getByRole('button', { name: 'End' }).click();
  await until(() => page.locator('#begin').isVisible(), 'the beginning');
  await assert.rejects(bench.ask('GET', `register-finds/${id}`), /404/);
});

await finish(async () => {
  await closeBrowser();
  await bench.stop();
});
