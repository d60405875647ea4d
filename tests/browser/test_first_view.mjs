// SPDX-License-Identifier: GPL-3.0-or-later
//
// The first view of the bench page: how much comes over the wire, how soon it is
// painted, and how smoothly the trace goes on a tablet four times slower than this
// machine. What claims a speed counts as skipped where it fails on a machine that has
// other work.

import assert from 'node:assert/strict';

import { RealBench } from './bench_process.mjs';
import { closeBrowser, theBrowser } from './browser.mjs';
import { assertPace, check, finish, sleep, until } from './check.mjs';
import { pageCheck } from './mock_page.mjs';
import { sendRun } from './scenes.mjs';

const MOST_BYTES = 150000;
const SLOWER = 4;

check('first view: under 150 kB over the wire', async () => {
  const bench = await RealBench.start();
  const context = await (await theBrowser()).newContext({ viewport: { width: 1280, height: 800 } });
  try {
    const page = await context.newPage();
    const session = await context.newCDPSession(page);
    let bytes = 0;
    let requests = 0;
    const encodings = new Set();
    await session.send('Network.enable');
    session.on('Network.responseReceived', ({ response }) => {
      if (/\.(js|css)$/.test(response.url)) encodings.add(response.headers['Content-Encoding'] ?? 'none');
    });
    session.on('Network.loadingFinished', ({ encodedDataLength }) => {
      bytes += encodedDataLength;
      requests++;
    });
    await page.goto(bench.url);
    await until(() => page.locator('#draw').innerText(), 'the page is there');
    await until(async () => /waiting/i.test(await page.locator('#mark').innerText()), 'it waits for a power-up');
    await sleep(500);
    assert.ok(requests > 20, `${requests} requests seen`);
    assert.deepEqual([...encodings], ['zstd']);
    assert.ok(bytes < MOST_BYTES, `${bytes} bytes`);
    return `${(bytes / 1000).toFixed(0)} kB in ${requests} requests`;
  } finally {
    await context.close();
    await bench.stop();
  }
});

check('first view: painted within 1 s with the processor four times slower', async () => {
  const bench = await RealBench.start();
  const took_ms = [];
  try {
    for (let i = 0; i < 3; i++) {
      const context = await (await theBrowser()).newContext({ viewport: { width: 1280, height: 800 } });
      const page = await context.newPage();
      const session = await context.newCDPSession(page);
      await session.send('Emulation.setCPUThrottlingRate', { rate: SLOWER });
      await page.goto(bench.url);
      took_ms.push(await until(() => page.evaluate(() => performance.getEntriesByName('first-contentful-paint')[0]?.startTime), 'a first paint'));
      await context.close();
    }
  } finally {
    await bench.stop();
  }
  took_ms.sort((a, b) => a - b);
  await assertPace(took_ms[1] < 1000, `median ${took_ms[1].toFixed(0)} ms of ${took_ms.map(Math.round)}`);
  return `median ${took_ms[1].toFixed(0)} ms`;
});

pageCheck('100 readings/s with the processor four times slower: 30 frames a second', async (page, mock) => {
  mock.begin('left', '5', 1000, 60);
  sendRun(mock, 'left', 'good', 1000, 0, 50, 100);
  await page.evaluate(() => {
    const { prototype } = CanvasRenderingContext2D;
    const clear = prototype.clearRect;
    window.redraws = [];
    prototype.clearRect = function counted(...box) {
      window.redraws.push(performance.now());
      return clear.apply(this, box);
    };
  });
  const session = await page.context().newCDPSession(page);
  await session.send('Emulation.setCPUThrottlingRate', { rate: SLOWER });
  await sleep(500);
  await page.evaluate(() => { window.redraws = []; });
  const began_ms = Date.now();
  // In pieces as small as the bench sends them.
  for (let i = 0; i < 100; i++) {
    sendRun(mock, 'left', 'good', 1000, 50 + i * 0.05, 50 + (i + 1) * 0.05, 100);
    await sleep(Math.max(0, began_ms + (i + 1) * 50 - Date.now()));
  }
  const redraws = await page.evaluate(() => window.redraws);
  const rate = (redraws.length - 1) / (redraws.at(-1) - redraws[0]) * 1000;
  await assertPace(rate >= 29, `${rate.toFixed(1)} frames/s`);
  return `${rate.toFixed(1)} frames/s`;
});

await finish(closeBrowser);
