// SPDX-License-Identifier: GPL-3.0-or-later
//
// The page in Chromium against the mock bench. What claims a speed counts as skipped
// where it fails on a machine that has other work.

import assert from 'node:assert/strict';

import { LANDSCAPE, PORTRAIT, closeBrowser } from './browser.mjs';
import { assertPace, finish, sleep, until } from './check.mjs';
import {
  BAD, BAD_PHASES, GOOD, GOOD_PHASES, TYPE, UNSURE, sendRun,
} from './scenes.mjs';
import {
  markOf, noMark, pageCheck, powerUp, shows, text,
} from './mock_page.mjs';

// --- verdicts ---

for (const [kind, verdict, phases] of [['good', GOOD, GOOD_PHASES], ['bad', BAD, BAD_PHASES],
  ['unsure', UNSURE, GOOD_PHASES]]) {
  for (const [name, size] of [['1280x800', LANDSCAPE], ['800x1280', PORTRAIT]]) {
    pageCheck(`${kind} at ${name}: word, shape, sentence, no scrolling, legible`, async (page, mock) => {
      await powerUp(page, mock, kind, verdict, phases);
      await until(async () => await page.locator('#mark .mark').count() === 1, 'the mark');
      await until(async () => await markOf(page) === kind, 'its verdict');
      await shows(page, 'mark', kind);
      await shows(page, 'reason', verdict.reasons[0]?.text.slice(1) ?? 'within what this type draws');
      await shows(page, 'draw', verdict.final_draw_A.toFixed(3));
      await shows(page, 'facts', 'kept');
      await shows(page, 'facts', `decided at ${verdict.decided_at_s.toFixed(2)} s`);
      await assertLaidOut(page);
      assert.equal(await page.locator('#phases tr').count(), GOOD_PHASES.length);
      assert.equal(await page.locator('#phases tr.phase-suspect').count(), kind === 'good' ? 0 : 1);
    }, { size });
  }
}

async function assertLaidOut(page) {
  const found = await page.evaluate(() => {
    const box = (id) => {
      const { left, top, right, bottom } = document.getElementById(id).getBoundingClientRect();
      return { left, top, right, bottom };
    };
    const size = (selector) => parseFloat(getComputedStyle(document.querySelector(selector)).fontSize);
    return {
      boxes: Object.fromEntries(['mark', 'draw', 'reason', 'trace', 'phases-table', 'switch-note',
        'strip', 'facts', 'cautions'].map((id) => [id, box(id)])),
      width: innerWidth, height: innerHeight,
      scroll: [document.documentElement.scrollWidth, document.documentElement.scrollHeight],
      word: size('.mark-large .mark-word'), draw: size('#draw'), reason: size('#reason'),
      off: size('#switch-note'), trace: document.getElementById('trace').clientHeight,
      small: Math.min(...[...document.querySelectorAll('body *')].filter((each) => each.checkVisibility()
        && [...each.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim()))
        .map((each) => parseFloat(getComputedStyle(each).fontSize))),
    };
  });
  for (const [id, box] of Object.entries(found.boxes)) {
    assert.ok(box.left >= 0 && box.top >= 0 && box.right <= found.width + 0.5
      && box.bottom <= found.height + 0.5, `#${id} lies outside: ${JSON.stringify(box)}`);
  }
  assert.deepEqual(found.scroll, [found.width, found.height], 'nothing to scroll');
  assert.ok(found.word >= 72, `verdict word ${found.word}`);
  assert.ok(found.draw >= 56, `draw ${found.draw}`);
  assert.ok(found.reason >= 26, `reason ${found.reason}`);
  assert.ok(found.off >= 26, `off ${found.off}`);
  assert.ok(found.small >= 16, `smallest text ${found.small}`);
  assert.ok(found.trace >= 170, `trace ${found.trace} px high`);
  assert.ok(found.boxes.draw.right <= found.width && found.boxes.mark.right <= found.boxes.draw.left,
    'mark and draw side by side');
}

pageCheck('verdict event to painted frame within 100 ms', async (page, mock) => {
  const taken_ms = [];
  await page.evaluate(() => {
    window.painted = [];
    new MutationObserver(() => {
      const mark = document.querySelector('#mark .mark');
      if (!mark) return;
      // The frame after the next begins when this one is on the screen.
      requestAnimationFrame(() => requestAnimationFrame(() => {
        window.painted.push(performance.timeOrigin + performance.now());
      }));
    }).observe(document.getElementById('mark'), { childList: true });
  });
  let onset_s = 1000;
  for (let i = 0; i < 12; i++) {
    const id = String(20 + i);
    mock.begin('left', id, onset_s, 8);
    // A busy stream before it, as on a real bench: 100 readings/s.
    sendRun(mock, 'left', 'good', onset_s, 0, 5, 100);
    await sleep(120);
    const sent_ms = Date.now();
    mock.judge(id, GOOD, GOOD_PHASES);
    const painted = await until(() => page.evaluate((index) => window.painted[index] ?? 0, i), 'painted');
    taken_ms.push(painted - sent_ms);
    mock.end(id, 'output off');
    onset_s += 20;
    await noMark(page);
  }
  taken_ms.sort((a, b) => a - b);
  const worst = taken_ms.at(-1);
  await assertPace(worst < 100, `worst ${worst.toFixed(1)} ms`);
  return `median ${taken_ms[6].toFixed(1)} ms, worst of ${taken_ms.length} ${worst.toFixed(1)} ms`;
});

pageCheck('a simulated bench says so', async (page) => {
  await until(() => page.locator('.spine').getByText('Simulated', { exact: true }).isVisible(), 'the mark');
}, { prepare: (mock) => { mock.simulated = true; } });

pageCheck('kept is said only once it is', async (page, mock) => {
  await powerUp(page, mock, 'bad', BAD, BAD_PHASES, 4.4, { kept: false });
  await shows(page, 'facts', 'being written down');
  assert.doesNotMatch(await text(page, 'facts'), /kept/);
  mock.judge('5', BAD, BAD_PHASES, { kept: true });
  await shows(page, 'facts', 'kept');
  assert.doesNotMatch(await text(page, 'facts'), /written/);
});

pageCheck('the verdict is read out once', async (page, mock) => {
  await powerUp(page, mock, 'bad', BAD, BAD_PHASES, 4.4);
  await shows(page, 'spoken', 'bad. settles at');
  assert.equal(await page.locator('#spoken').getAttribute('aria-live'), 'assertive');
});

// --- never an old verdict as current ---

pageCheck('off again: the verdict is filed, the live place waits', async (page, mock) => {
  await powerUp(page, mock, 'bad', BAD, BAD_PHASES, 4.4);
  await until(async () => await page.locator('#mark .mark').count() === 1, 'the mark');
  mock.end('5', 'output off');
  await noMark(page);
  await shows(page, 'mark', 'waiting');
  await shows(page, 'filed', 'last power-up, ended');
  await until(async () => await page.locator('#filed .mark').getAttribute('data-verdict') === 'bad',
    'its verdict');
  await shows(page, 'draw-label', 'draw now');
});

pageCheck('on again within the watch: watching, not the verdict before', async (page, mock) => {
  await powerUp(page, mock, 'good', GOOD, GOOD_PHASES, 5.5);
  await until(async () => await page.locator('#mark .mark').count() === 1, 'the mark');
  mock.begin('left', '6', 1007, 8);
  await noMark(page);
  await shows(page, 'mark', 'watching');
  sendRun(mock, 'left', 'good', 1007, 0, 2.4);
  await shows(page, 'reason', '2.38 s of 8.00 s');
});

pageCheck('stale after 2 s: said, dated, the verdict gone from its place', async (page, mock) => {
  await powerUp(page, mock, 'good', GOOD, GOOD_PHASES);
  await until(async () => await page.locator('#mark .mark').count() === 1, 'the mark');
  const last_ms = mock.rest('left');
  await shows(page, 'mark', 'stale');
  const after_ms = Date.now() - last_ms;
  assert.ok(after_ms > 1900, `${after_ms} ms`);
  assert.match(await text(page, 'reason'), /stale since \d\d:\d\d:\d\d/);
  await noMark(page);
  await shows(page, 'filed', 'when last heard');
  assert.equal(await page.locator('#draw').getAttribute('data-struck'), 'yes');
  sendRun(mock, 'left', 'good', 1000, 6.6, 6.8);
  mock.goOn('left');
  await until(async () => await page.locator('#mark .mark').count() === 1, 'fresh again, so current again');
});

pageCheck('supply gone: said with its reason, and back', async (page, mock) => {
  await powerUp(page, mock, 'good', null, null, 2);
  mock.end('5', 'supply gone');
  mock.tell('left', { state: 'gone', problem: 'tcp:127.0.0.1:5025: connection refused' });
  await shows(page, 'mark', 'supply gone');
  await shows(page, 'reason', 'connection refused');
  await shows(page, 'supplies', 'gone');
  mock.tell('left', { state: 'reading', problem: null });
  sendRun(mock, 'left', 'good', 1010, -1, -0.5);
  mock.goOn('left');
  await shows(page, 'mark', 'waiting');
});

pageCheck('daemon killed and back: said plainly, recovers by itself, refetches', async (page, mock) => {
  await powerUp(page, mock, 'good', GOOD, GOOD_PHASES);
  await until(async () => await page.locator('#mark .mark').count() === 1, 'the mark');
  await mock.stop();
  await shows(page, 'mark', 'no word');
  await shows(page, 'reason', 'no word from the bench since');
  await noMark(page);
  mock.end('5', 'supply gone'); // what the store says after a restart
  await mock.start();
  await until(() => mock.streams.size === 1, 'a stream again');
  sendRun(mock, 'left', 'good', 2000, -1, -0.5);
  mock.goOn('left');
  await shows(page, 'mark', 'waiting');
  await shows(page, 'filed', 'last power-up');
});

pageCheck('a refused stream is tried again', async (page, mock) => {
  mock.refuseStreams = 2;
  for (const stream of mock.streams) stream.destroy();
  await shows(page, 'mark', 'no word');
  await until(() => mock.streams.size === 1 && mock.refuseStreams === 0, 'a stream again');
  sendRun(mock, 'left', 'good', 1000, -1, -0.5);
  mock.goOn('left');
  await shows(page, 'mark', 'waiting');
});

pageCheck('a silent stream: no word after 10 s', async (page, mock) => {
  sendRun(mock, 'left', 'good', 1000, -1, -0.5);
  mock.goOn('left');
  await shows(page, 'mark', 'waiting');
  mock.rest('left');
  mock.heartbeats = false;
  const from_ms = Date.now();
  const before = mock.opened;
  await until(() => mock.opened > before, 'a new stream is asked for');
  const after_ms = Date.now() - from_ms;
  assert.ok(after_ms > 7500, `${after_ms} ms`);
  return `${(after_ms / 1000).toFixed(1)} s`;
});

pageCheck('opened in mid-power-up: adopts it with trace and verdict', async (page, mock) => {
  await powerUp(page, mock, 'bad', BAD, BAD_PHASES, 4.4);
  const before = mock.opened;
  await page.reload();
  await until(() => mock.opened > before && mock.streams.size === 1, 'a stream again');
  sendRun(mock, 'left', 'bad', 1000, 4.6, 4.8);
  await until(async () => await page.locator('#mark .mark').count() === 1, 'the mark');
  await until(async () => await markOf(page) === 'bad', 'its verdict');
  await shows(page, 'facts', 'kept');
});

// --- earlier ones ---

pageCheck('a counterfoil shows its power-up as a copy, and back', async (page, mock) => {
  sendRun(mock, 'left', 'good', 1000, -3, -0.5);
  mock.goOn('left');
  await page.locator('.counterfoil[data-power-up="2"]').click();
  await shows(page, 'copy-text', 'earlier power-up');
  await until(async () => /\d\d:\d\d:\d\d/.test(await text(page, 'copy-text')), 'its time');
  await until(async () => await markOf(page) === 'bad', 'its verdict');
  await shows(page, 'facts', 'output off after 31.5 s');
  await shows(page, 'entry-unit', 'RC4-0411');
  assert.equal(await page.locator('#ticket').getAttribute('data-sheet'), 'copy');
  assert.doesNotMatch(await text(page, 'spoken'), /bad/i, 'a copy is not read out');
  await page.locator('#copy-back').click();
  await noMark(page);
  await page.locator('.counterfoil[data-power-up="1"]').focus();
  await page.keyboard.press('Enter');
  await shows(page, 'copy-text', 'earlier power-up');
  await page.keyboard.press('Escape');
  await noMark(page);
});

pageCheck('a new power-up takes the copy off the bench', async (page, mock) => {
  await page.locator('.counterfoil[data-power-up="2"]').click();
  await shows(page, 'copy-text', 'earlier power-up');
  sendRun(mock, 'left', 'good', 1000, -1, 0.1);
  mock.begin('left', '5', 1000, 8);
  await shows(page, 'mark', 'watching');
  assert.equal(await page.locator('#copy-band').isVisible(), false);
});

// --- what is on the bench ---

pageCheck('the form says what is on it', async (page, mock) => {
  await page.locator('#entries-change').click();
  await page.locator('#field-module_type').selectOption(TYPE.name);
  await page.locator('#field-unit').fill('RC4-0999');
  await page.locator('#field-work_order').fill('');
  await page.locator('#form-stages').getByRole('button', { name: 'after rework' }).click();
  await page.locator('#form-save').click();
  await shows(page, 'entry-unit', 'RC4-0999');
  assert.deepEqual(mock.puts, [{
    name: 'left',
    said: { module_type: TYPE.name, unit: 'RC4-0999', work_order: null, stage: 'after rework' },
  }]);
  await shows(page, 'entry-work_order', 'not said');
});

pageCheck('the form makes another type', async (page, mock) => {
  await page.locator('#entries-change').click();
  await page.locator('#field-module_type').selectOption({ label: 'another type …' });
  await page.locator('#field-new_type').fill('Bilge pump controller');
  await page.locator('#form-save').click();
  await shows(page, 'entry-module_type', 'Bilge pump');
  assert.equal(mock.types.at(-1).name, 'Bilge pump controller');
  await shows(page, 'details', 'no reference for bilge pump controller');
});

pageCheck('a refusal is shown where it happened, a code is asked for', async (page, mock) => {
  mock.refusal = { status: 401, title: 'Unauthorized', detail: 'the access code is needed' };
  await page.locator('#entries-change').click();
  await page.locator('#form-save').click();
  await shows(page, 'form-problem', 'the access code is needed');
  await page.locator('#field-code').fill('harbour-lane');
  await page.locator('#form-save').click();
  await until(async () => !await page.locator('#form-dialog').isVisible(), 'the form closes');
  assert.equal(mock.lastAuthorization, 'Bearer harbour-lane');
});

pageCheck('what the bench sends is text, never markup', async (page, mock) => {
  const nasty = '<img src=x onerror=document.title=1><b>unit</b>';
  mock.tell('left', { unit: nasty, problem: nasty, identity: nasty });
  await shows(page, 'entry-unit', nasty);
  assert.equal(await page.locator('#entry-unit b, #entry-unit img').count(), 0);
});

// --- the output ---

pageCheck('without control: no button, the words say where the switch is', async (page) => {
  await shows(page, 'switch-note', 'use the supply\u2019s switch');
  assert.equal(await page.locator('#switch').isVisible(), false);
});

pageCheck('with control: off at a touch, on by holding', async (page, mock) => {
  mock.tell('left', { control: true, output_on: true });
  await until(() => page.locator('#switch-on').isDisabled(), 'on is on already');
  const box = await page.locator('#switch-off').boundingBox();
  assert.ok(box.height >= 48 && box.width >= 120, JSON.stringify(box));
  await page.locator('#switch-off').click();
  await until(() => mock.puts.length === 1, 'off went out');
  await until(() => page.locator('#switch-on').isEnabled(), 'it may be switched on again');
  await shows(page, 'switch-before', 'sets 12.00 V and the current limit to 1.500 A, after a look at a tenth of it. leads the right way round');
  await page.locator('#switch-on').click();
  await shows(page, 'switch-on', 'hold to switch on');
  await holdOn(page, 300);
  await sleep(700);
  assert.equal(mock.puts.length, 1, 'let go too early');
  await holdOn(page, 1000);
  await until(() => mock.puts.length === 2, 'on went out');
  assert.deepEqual(mock.puts.map(({ said }) => said.on), [false, true]);
});

pageCheck('on by holding a key; let go early it stays off', async (page, mock) => {
  mock.tell('left', { control: true, output_on: false });
  await until(() => page.locator('#switch-on').isVisible(), 'the control is there');
  await page.locator('#switch-on').focus();
  for (const [key, held_ms] of [['Enter', 200], [' ', 200]]) {
    await page.keyboard.down(key);
    await sleep(held_ms);
    await page.keyboard.up(key);
  }
  await sleep(900);
  assert.deepEqual(mock.puts, []);
  await page.keyboard.down('Enter');
  await until(() => mock.puts.length === 1, 'on went out while it was held');
  await page.keyboard.up('Enter');
  assert.equal(mock.puts[0].said.on, true);
});

async function holdOn(page, for_ms) {
  const { x, y, width, height } = await page.locator('#switch-on').boundingBox();
  await page.mouse.move(x + width / 2, y + height / 2);
  await page.mouse.down();
  await sleep(for_ms);
  await page.mouse.up();
}

pageCheck('off refused: said at once, with the way out', async (page, mock) => {
  mock.tell('left', { control: true, output_on: true });
  await until(() => page.locator('#switch-off').isVisible(), 'the control is there');
  mock.refusal = { status: 503, title: 'Unavailable', detail: 'the supply does not answer.' };
  await page.locator('#switch-off').click();
  await shows(page, 'switch-note', 'off was not carried out: the supply does not answer. use the switch');
  await page.locator('#switch-off').click();
  await until(async () => !await page.locator('#switch-note').isVisible(), 'carried out now');
});

// --- empty states, several supplies ---

pageCheck('no supply configured: says how to', async (page) => {
  await shows(page, 'mark', 'no supply');
  await shows(page, 'reason', '[supply NAME]');
}, { furnished: false });

pageCheck('no type said: says so', async (page, mock) => {
  mock.tell('left', { module_type: null, unit: null, work_order: null, stage: null });
  sendRun(mock, 'left', 'good', 1000, -1, -0.5);
  mock.goOn('left');
  await shows(page, 'details', 'no type is said');
  await shows(page, 'entries-change', 'fill in');
});

pageCheck('several supplies: the choice is kept in the address and on the tablet', async (page, mock) => {
  mock.addSupply('right', { output: 2, unit: 'RC4-0777' });
  mock.tell('right');
  await page.locator('.tab[data-supply="right"]').click();
  await shows(page, 'entry-unit', 'RC4-0777');
  assert.ok(page.url().endsWith('#right'), page.url());
  await page.goto(mock.url);
  await shows(page, 'entry-unit', 'RC4-0777');
  await page.goto(`${mock.url}#left`);
  await shows(page, 'entry-unit', 'RC4-0417');
});

pageCheck('the address picks the supply, whichever is heard of first', async (page, mock) => {
  await page.goto('about:blank');
  mock.addSupply('right', { output: 2, unit: 'RC4-0777' });
  await page.goto(`${mock.url}#right`);
  await shows(page, 'entry-unit', 'RC4-0777');
  mock.tell('left');
  mock.tell('right');
  await page.waitForTimeout(300);
  assert.equal(await text(page, 'entry-unit'), 'RC4-0777');
  assert.ok(page.url().endsWith('#right'), page.url());
});

pageCheck('a quiet supply on the other tab does not hide the chosen one', async (page, mock) => {
  mock.addSupply('right', { output: 2, state: 'gone', problem: 'no answer', age_s: null });
  mock.tell('right');
  await powerUp(page, mock, 'good', GOOD, GOOD_PHASES);
  await until(async () => await page.locator('#mark .mark').count() === 1, 'the mark');
  await shows(page, 'supplies', 'gone');
  await shows(page, 'supplies', 'good');
});

// --- touch, keyboard, motion, contrast ---

pageCheck('targets are 48 px and reachable by keyboard', async (page, mock) => {
  sendRun(mock, 'left', 'good', 1000, -1, -0.5);
  mock.goOn('left');
  await page.locator('#entries-change').click();
  const small = await page.evaluate(() => [...document.querySelectorAll('button, input, select')]
    .filter((each) => each.checkVisibility())
    .map((each) => [each.id || each.className, each.getBoundingClientRect()])
    .filter(([, box]) => box.height < 48 || box.width < 48)
    .map(([name, box]) => `${name} ${box.width}x${box.height}`));
  assert.deepEqual(small, []);
  await page.keyboard.press('Escape');
  await page.waitForFunction(() => !document.getElementById('field-unit').checkVisibility());
  const reached = new Set();
  for (let i = 0; i < 40; i++) {
    await page.keyboard.press('Tab');
    reached.add(await page.evaluate(() => document.activeElement.id || document.activeElement.className));
  }
  for (const name of ['tab', 'entries-change', 'counterfoil']) assert.ok(reached.has(name), [...reached].join());
});

pageCheck('reduced motion: nothing moves', async (page, mock) => {
  await powerUp(page, mock, 'good', GOOD, GOOD_PHASES);
  await until(async () => await page.locator('#mark .mark').count() === 1, 'the mark');
  assert.equal(await page.locator('#mark .mark').evaluate((each) => getComputedStyle(each).animationName), 'none');
}, { options: { reducedMotion: 'reduce' } });

for (const colorScheme of ['light', 'dark']) {
  pageCheck(`contrast in ${colorScheme}: text 4.5:1, marks and lines 3:1`, async (page) => {
    const poor = await page.evaluate(() => {
      const style = getComputedStyle(document.documentElement);
      const probe = document.createElement('canvas').getContext('2d');
      const light = (name) => {
        probe.fillStyle = style.getPropertyValue(name).trim();
        const [r, g, b] = probe.fillStyle.match(/[0-9a-f]{2}/gi)
          .map((two) => parseInt(two, 16) / 255)
          .map((part) => (part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4));
        return 0.2126 * r + 0.7152 * g + 0.0722 * b;
      };
      const ratio = (one, other) => {
        const [low, high] = [light(one), light(other)].sort((a, b) => a - b);
        return (high + 0.05) / (low + 0.05);
      };
      const papers = ['--paper', '--paper-counter', '--paper-slip', '--copy'];
      const pairs = [
        ...papers.flatMap((paper) => ['--ink', '--label', '--typed'].map((ink) => [ink, paper, 4.5])),
        ...['--carbon'].map((ink) => [ink, '--copy', 4.5]),
        ...['--trouble'].map((ink) => [ink, '--paper', 4.5]),
        ...['--good', '--pencil', '--pencil-faint'].map((ink) => [ink, '--paper', 4.5]),
        ...['--bad', '--envelope', '--margin', '--line'].map((ink) => [ink, '--paper', 3]),
        ['--bad', '--paper-counter', 3], ['--line', '--paper-slip', 3],
        ['--bad-word', '--bad', 4], ['--card-print', '--card', 4.5], ['--desk-print', '--desk', 4.5],
      ];
      return pairs.map(([one, other, least]) => [one, other, ratio(one, other), least])
        .filter(([, , found, least]) => !(found >= least));
    });
    assert.deepEqual(poor, []);
  }, { options: { colorScheme } });
}

// --- load ---

pageCheck('100 readings/s for 60 s: at most 30 redraws a second, little of a core', async (page, mock) => {
  mock.begin('left', '5', 1000, 60);
  sendRun(mock, 'left', 'good', 1000, 0, 54, 100);
  await page.evaluate(() => {
    const canvas = CanvasRenderingContext2D.prototype;
    const clear = canvas.clearRect;
    window.redraws = 0;
    canvas.clearRect = function counted(...box) {
      window.redraws++;
      return clear.apply(this, box);
    };
  });
  const session = await page.context().newCDPSession(page);
  await session.send('Performance.enable');
  const busy = async () => (await session.send('Performance.getMetrics')).metrics
    .find((each) => each.name === 'TaskDuration').value;
  const before_s = await busy();
  const began_ms = Date.now();
  for (let i = 0; i < 100; i++) {
    sendRun(mock, 'left', 'good', 1000, 54 + i * 0.05, 54 + (i + 1) * 0.05, 100);
    await sleep(Math.max(0, began_ms + (i + 1) * 50 - Date.now()));
  }
  const took_s = (Date.now() - began_ms) / 1000;
  const share = (await busy() - before_s) / took_s;
  const redraws = await page.evaluate(() => window.redraws) / took_s;
  assert.ok(redraws <= 31, `${redraws.toFixed(1)} redraws/s`);
  await assertPace(redraws > 5, `${redraws.toFixed(1)} redraws/s`);
  await assertPace(share < 0.5, `${(share * 100).toFixed(0)} % of a core`);
  return `${redraws.toFixed(1)} redraws/s, ${(share * 100).toFixed(0)} % of a core`;
});

await finish(closeBrowser);
