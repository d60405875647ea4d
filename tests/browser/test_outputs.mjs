// SPDX-License-Identifier: GPL-3.0-or-later
//
// The page's hands on an output, on the mock bench: Off at once whatever else is asked,
// the words where it is not confirmed, a look, a refusal, a hand at the supply, the hold
// of a unit's memory on every page, the log of outputs. What claims a speed counts as
// skipped where it fails on a machine that has other work.

import assert from 'node:assert/strict';

import { clean } from './accessibility.mjs';
import { LANDSCAPE, PORTRAIT, closeBrowser } from './browser.mjs';
import { assertPace, finish, until } from './check.mjs';
import { keyboardHand, touchHand } from './repair_flow.mjs';
import {
  laidOut, pageCheck, powerUp, shows, text,
} from './mock_page.mjs';
import {
  BAD, BAD_PHASES, GOOD, GOOD_PHASES, TYPE, sendRun,
} from './scenes.mjs';

const SIZES = [['1280x800', LANDSCAPE], ['800x1280', PORTRAIT]];
const PAGES = ['', 'folder.html', 'record.html#1', 'references.html', 'check.html', 'ledger.html',
  'outputs.html', 'find.html', 'shop.html'];
const MOST_MS = 100;

const controlled = (parts = {}) => (mock) => {
  Object.assign(mock.supplies.get('left'), { control: true, output_on: true, ...parts });
};
const bars = async (page) => (await page.locator('.spine-bars').innerText()).replaceAll('\u00a0', ' ');
const barsShow = (page, wanted) => until(async () => wanted.test(await bars(page)), `the bars show ${wanted}`);
const waits = async (page, mock) => {
  sendRun(mock, 'left', 'good', 1000, -1, -0.5);
  mock.goOn('left');
  await until(() => page.locator('#switch-off').isVisible(), 'the control is there');
};

// --- Off, at once ---

// When the pointer came down, on the wall clock.
async function watchPointer(page) {
  await page.evaluate(() => {
    window.down_ms = null;
    addEventListener('pointerdown', (event) => { window.down_ms = performance.timeOrigin + event.timeStamp; }, true);
  });
}

async function pressDown(page, selector) {
  const { x, y, width, height } = await page.locator(selector).boundingBox();
  await page.mouse.move(x + width / 2, y + height / 2);
  await page.mouse.down();
}

pageCheck('off goes out before the finger is up, and waits for nothing else that is asked', async (page, mock) => {
  await waits(page, mock);
  // Six connections are all a browser makes to a host: tabs' streams, questions that
  // are never answered and an On take them all, and some more stand in line.
  const others = [];
  for (let i = 0; i < 3; i++) {
    others.push(await page.context().newPage());
    await others[i].goto(mock.url);
  }
  await until(() => mock.streams.size === 4, 'four tabs hear the bench');
  await page.bringToFront();
  mock.switching = () => new Promise(() => {});
  await page.evaluate(() => {
    fetch('/api/v1/supplies/left/output', { method: 'PUT', body: '{"on":true}' });
    for (let i = 0; i < 12; i++) fetch(`/api/v1/hang?${i}`);
  });
  await until(() => mock.hanging.length >= 1, 'all connections are taken');
  const taken_ms = [];
  for (const selector of ['#switch-off', '.spine .off[data-supply="left"]', '#switch-off']) {
    await watchPointer(page);
    const before = mock.arrived.length;
    await pressDown(page, selector);
    await until(() => mock.arrived.length > before, 'off has arrived with the finger down');
    const { on, at_ms } = mock.arrived.at(-1);
    assert.equal(on, false);
    taken_ms.push(at_ms - await page.evaluate(() => window.down_ms));
    await page.mouse.up();
    await until(() => page.locator('#switch-off[data-sent="no"]').count(), 'and is answered');
    assert.equal(mock.arrived.length, before + 1, 'one touch, one Off');
  }
  assert.ok(mock.hanging.length < 12, 'some of the questions still stand in line');
  const worst = Math.max(...taken_ms);
  await assertPace(worst < MOST_MS, `worst ${worst.toFixed(1)} ms of ${taken_ms.map((ms) => ms.toFixed(1))}`);
  return `${taken_ms.map((ms) => ms.toFixed(1)).join(', ')} ms from the pointer to the bench`;
}, { prepare: controlled() });

pageCheck('off with the processor four times slower and 100 readings/s', async (page, mock) => {
  mock.begin('left', '5', 1000, 60);
  sendRun(mock, 'left', 'good', 1000, 0, 30, 100);
  const session = await page.context().newCDPSession(page);
  await session.send('Emulation.setCPUThrottlingRate', { rate: 4 });
  let time_s = 30;
  const reading = setInterval(() => sendRun(mock, 'left', 'good', 1000, time_s, time_s += 0.05, 100), 50);
  const taken_ms = [];
  try {
    for (let i = 0; i < 5; i++) {
      await watchPointer(page);
      const before = mock.arrived.length;
      await pressDown(page, '#switch-off');
      await until(() => mock.arrived.length > before, 'off has arrived');
      taken_ms.push(mock.arrived.at(-1).at_ms - await page.evaluate(() => window.down_ms));
      await page.mouse.up();
    }
  } finally {
    clearInterval(reading);
  }
  const worst = Math.max(...taken_ms);
  await assertPace(worst < MOST_MS, `worst ${worst.toFixed(1)} ms of ${taken_ms.map((ms) => ms.toFixed(1))}`);
  return `${taken_ms.map((ms) => ms.toFixed(1)).join(', ')} ms`;
}, { prepare: controlled() });

pageCheck('off by key goes out as the key comes down; by a click alone, too; once each', async (page, mock) => {
  await waits(page, mock);
  for (const key of ['Enter', ' ']) {
    const before = mock.arrived.length;
    await page.locator('#switch-off').focus();
    await page.keyboard.down(key);
    await until(() => mock.arrived.length === before + 1, 'off with the key down');
    await page.keyboard.up(key);
    await until(() => page.locator('#switch-off[data-sent="no"]').count(), 'answered');
    assert.equal(mock.arrived.length, before + 1);
  }
  await page.waitForTimeout(1100); // a click long after is nobody's second half
  await page.locator('#switch-off').evaluate((button) => button.click());
  await until(() => mock.arrived.length === 3, 'off by a click');
}, { prepare: controlled() });

pageCheck('two fingers on two Offs: both go out', async (page, mock) => {
  await waits(page, mock);
  const session = await page.context().newCDPSession(page);
  const touchPoints = [];
  for (const [id, name] of [[1, 'left'], [2, 'right']]) {
    const { x, y } = await page.locator(`.spine .off[data-supply="${name}"]`).boundingBox();
    touchPoints.push({ x: x + 20, y: y + 20, id });
  }
  await session.send('Input.dispatchTouchEvent', { type: 'touchStart', touchPoints });
  await until(() => mock.arrived.length === 2, 'both');
  assert.deepEqual(mock.arrived.map(({ name }) => name).sort(), ['left', 'right']);
  await session.send('Input.dispatchTouchEvent', { type: 'touchEnd', touchPoints: [] });
}, {
  options: { hasTouch: true },
  prepare: (mock) => {
    controlled()(mock);
    mock.addSupply('right', { output: 2, control: true, output_on: true });
  },
});

pageCheck('off is on the form, too, and goes on where the page is left at once', async (page, mock) => {
  await waits(page, mock);
  await page.locator('#entries-change').click();
  await page.locator('#form-dialog .off').click();
  await until(() => mock.arrived.length === 1, 'off from the form');
  await page.keyboard.press('Escape');
  await until(() => page.locator('#form-dialog[open]').count().then((count) => count === 0), 'the form is away');
  await page.evaluate(() => {
    document.getElementById('switch-off').dispatchEvent(new PointerEvent('pointerdown', { bubbles: true }));
    location.href = 'about:blank';
  });
  await until(() => mock.arrived.length === 2, 'off after the page has gone');
}, { prepare: controlled() });

pageCheck('off stays in sight of a page that is scrolled, and never moves over to another output', async (page, mock) => {
  await page.goto(`${mock.url}outputs.html`);
  await until(async () => await page.locator('.outputs-line').count() > 40, 'a long log');
  await page.evaluate(() => scrollTo(0, document.documentElement.scrollHeight));
  await until(() => page.evaluate(() => scrollY > 500), 'scrolled');
  const right = await page.locator('.spine .off[data-supply="right"]').boundingBox();
  assert.ok(right.y >= 0 && right.y < 200, `Off lies at ${right.y}`);
  mock.tell('left', { output_on: false });
  await until(() => page.locator('.spine .off[data-supply="left"][data-on="no"]').count(), 'left is off');
  const after = await page.locator('.spine .off[data-supply="right"]').boundingBox();
  assert.ok(Math.abs(after.x - right.x) < 4 && Math.abs(after.y - right.y) < 4, JSON.stringify([right, after]));
}, {
  prepare: (mock) => {
    controlled()(mock);
    mock.addSupply('right', { output: 2, control: true, output_on: true });
    for (let i = 0; i < 60; i++) mock.happened('left', { what: i % 2 ? 'off' : 'on', who: 'page' });
  },
});

// --- where it is not confirmed ---

pageCheck('off without an answer: said, with the way out, and taken back once it is answered', async (page, mock) => {
  await waits(page, mock);
  mock.mute = true;
  await page.locator('#switch-off').click();
  await until(() => page.locator('#switch-off[data-sent="yes"]').count(), 'it is seen to be sent');
  await shows(page, 'switch-note', 'off was sent and is not confirmed yet. use the switch on the supply');
  await barsShow(page, /left: Off was sent and is not confirmed yet/);
  mock.mute = false;
  await page.locator('#switch-off').click();
  await until(async () => await bars(page) === '', 'confirmed now');
}, { prepare: controlled() });

for (const [name, size] of SIZES) {
  for (const colorScheme of ['light', 'dark']) {
    pageCheck(`off not confirmed, on every page at ${name} in ${colorScheme}`, async (page, mock) => {
      for (const path of PAGES) {
        await page.goto('about:blank');
        await page.goto(mock.url + path);
        await barsShow(page, /^left: Off was not confirmed\. Use the switch on the supply\.$/);
        await laidOut(page, path);
        await clean(page, `/${path}, off not confirmed`);
      }
    }, {
      size, options: { colorScheme, reducedMotion: 'reduce' },
      prepare: controlled({ off_wanted: true, output_last: 'off not confirmed', output_by: 'page', output_at: new Date().toISOString() }),
    });
  }
}

pageCheck('the bench is not reached: every page says to use the switch', async (page, mock) => {
  for (const path of PAGES) {
    await page.goto('about:blank');
    await page.goto(mock.url + path);
    await until(() => page.locator('.spine .off').count(), `Off on /${path}`);
    assert.equal(await bars(page), '');
    await mock.stop();
    await barsShow(page, /^No word from the bench\. Use the switch on the supply\.$/);
    await page.locator('.spine .off').click();
    await barsShow(page, /^No word from the bench, Off of left was not carried out\. Use the switch on the supply\.$/);
    if (path === '') await shows(page, 'switch-note', 'off was not carried out: the bench does not answer. use the switch on the supply.');
    await laidOut(page, path);
    await mock.start();
    await until(async () => !/No word/.test(await bars(page)), 'the bench is heard again');
  }
}, { prepare: controlled() });

pageCheck('the access code is asked for where Off or On is refused without one', async (page, mock) => {
  await waits(page, mock);
  const refusal = { status: 401, title: 'Unauthorized', detail: 'the access code is needed' };
  mock.refusal = refusal;
  await page.locator('.spine .off').click();
  await barsShow(page, /left: Off was not carried out: the access code is needed\. Use the switch on the supply\./);
  await page.getByRole('button', { name: 'Access code' }).click();
  await page.locator('dialog[open]').getByLabel('Access code').first().fill('harbour-lane');
  await clean(page, 'the access code');
  await page.getByRole('button', { name: 'Take it' }).click();
  const asked = page.waitForRequest((request) => request.url().endsWith('/output'));
  await page.locator('.spine .off').click();
  assert.equal((await asked).headers().authorization, 'Bearer harbour-lane');
  await until(async () => await bars(page) === '', 'carried out');
}, { prepare: controlled() });

// --- what becomes of an output ---

async function holdDown(page, selector, until_) {
  await pressDown(page, selector);
  await until_();
  await page.mouse.up();
}

pageCheck('on: looked at first, said as it goes, then by whom and when; Off ends it on its way', async (page, mock) => {
  await waits(page, mock);
  let go = null;
  mock.switching = async (name) => {
    mock.tell(name, { output_on: true, output_doing: 'looking' });
    return new Promise((resolve) => { go = resolve; });
  };
  await page.evaluate(() => localStorage.setItem('bench.hand', 'TM'));
  await holdDown(page, '#switch-on', () => until(() => go !== null, 'On is asked for'));
  await shows(page, 'mark', 'looking');
  await shows(page, 'reason', 'looking at a low current first.');
  assert.ok(await page.locator('#switch-on').isDisabled());
  assert.equal(await page.locator('#switch-off').isEnabled(), true);
  mock.rest('left'); // nothing of a look is told as a reading
  await page.waitForTimeout(2500);
  assert.doesNotMatch(await text(page, 'mark'), /stale/i);
  mock.goOn('left');
  assert.deepEqual([mock.puts.at(-1).said.on, mock.puts.at(-1).said.hand], [true, 'TM']);
  mock.tell('left', { output_doing: null });
  go(null);
  await shows(page, 'output-last', 'on by the page (tm), ');
  const before = mock.arrived.length;
  await page.locator('#switch-off').click();
  await until(() => mock.arrived.length === before + 1, 'off');
  await shows(page, 'output-last', 'off by the page (tm), ');
}, { prepare: controlled({ output_on: false }) });

for (const [name, size] of SIZES) {
  pageCheck(`refused for a short, cut off, a hand at the supply, at ${name}`, async (page, mock) => {
    await waits(page, mock);
    const problem = 'at 0.150 A the feed stands at 0.62 V: short or reversed leads; measure with power off';
    mock.switching = async (supply) => {
      mock.happened(supply, { what: 'refused', who: 'page', problem });
      mock.tell(supply, { output_on: false });
      return { status: 409, title: 'Refused', detail: problem };
    };
    await holdDown(page, '#switch-on', () => shows(page, 'reason', `not switched on: ${problem}.`));
    await shows(page, 'mark', 'not on');
    await shows(page, 'output-last', 'on was asked for by the page');
    // Off is known: nobody is sent to the switch, which would put it on to a short.
    assert.doesNotMatch(await text(page, 'reason') + await text(page, 'switch-note'), /use the switch/i);
    await laidOut(page, 'refused');
    await clean(page, 'refused');
    mock.happened('left', { what: 'off', who: 'wakedraw', why: '4.0 s in current limit' });
    mock.tell('left');
    await shows(page, 'reason', 'switched off by wakedraw: 4.0 s in current limit.');
    await clean(page, 'cut off');
    mock.happened('left', { what: 'on at the supply', who: 'front panel' });
    mock.tell('left', { settings_by_hand: true, output_on: true });
    await shows(page, 'output-last', 'on by a hand at the supply, ');
    await shows(page, 'output-last', 'set by a hand at the supply, and left so.');
    await laidOut(page, 'by hand');
  }, { size, prepare: controlled({ output_on: false }) });
}

// --- the hold ---

pageCheck('hold: begun with words, On waits, ended by holding alone', async (page, mock) => {
  await waits(page, mock);
  await page.locator('#hold-begin').click();
  await clean(page, 'the slip of the hold');
  await page.getByRole('button', { name: 'writing it' }).click();
  await page.locator('#field-hold-hand').fill('TM');
  await page.getByRole('button', { name: 'It is: hold' }).click();
  await barsShow(page, /left: memory of RC4-0417 is being read or written\s+Since \d\d:\d\d \(TM: writing it\)\. Nothing is switched or set by itself\. Only Off cuts the power\./);
  assert.deepEqual(mock.puts.at(-1).said, { on: true, hand: 'TM', why: 'writing it' });
  assert.ok(await page.locator('#switch-on').isDisabled());
  await shows(page, 'switch-on', 'on waits');
  assert.ok(await page.locator('#run-begin').isDisabled());
  assert.equal(await page.locator('#hold-begin').count(), 0);
  const before = mock.puts.length;
  await page.locator('.hold-end').click();
  await barsShow(page, /Hold it a moment longer/);
  await page.waitForTimeout(900);
  assert.equal(mock.puts.length, before, 'a touch does not end it');
  mock.refusal = { status: 507, title: 'No room', detail: 'the disk is full' };
  await holdDown(page, '.hold-end', () => barsShow(page, /It goes on: the disk is full/));
  await page.locator('.hold-end').focus();
  await page.keyboard.down(' ');
  await until(async () => await bars(page) === '', 'it is over');
  await page.keyboard.up(' ');
  assert.equal(mock.puts.at(-1).said.on, false);
  await until(() => page.locator('#switch-on').isEnabled(), 'On may be held again');
  mock.refusal = { status: 409, title: 'Not now', detail: 'a run switches this output: end it first' };
  await page.locator('#hold-begin').click();
  await page.getByRole('button', { name: 'It is: hold' }).click();
  await until(async () => /Not done: a run switches this output/.test(await page.locator('dialog[open]').innerText()), 'refused there');
}, { prepare: controlled({ output_on: false }) });

const HELD = { hold: { since: new Date().toISOString(), unit: 'RC4-0417', hand: 'TM', why: 'reading it before the part is swapped' } };

for (const [name, size] of SIZES) {
  for (const colorScheme of ['light', 'dark']) {
    pageCheck(`hold, on every page at ${name} in ${colorScheme}: nothing overlaps, nothing found`, async (page, mock) => {
      for (const path of PAGES) {
        await page.goto('about:blank');
        await page.goto(mock.url + path);
        await barsShow(page, /^left: memory of RC4-0417 is being read or written/);
        await laidOut(page, path);
        await clean(page, `/${path}, held`);
      }
      await page.goto('about:blank');
      await page.goto(mock.url);
      await powerUp(page, mock, 'bad', BAD, BAD_PHASES);
      await until(async () => await page.locator('#mark .mark').count() === 1, 'the mark');
      await laidOut(page, 'a bad one under hold');
      await page.locator('.spine .off').click();
      await until(() => mock.arrived.length === 1, 'a deliberate Off goes out under hold, at one touch');
    }, { size, prepare: controlled(HELD), options: { colorScheme, reducedMotion: 'reduce' } });
  }
}

for (const [name, size] of SIZES) {
  pageCheck(`eight outputs, two held and one not confirmed off, at ${name}: nothing overlaps`, async (page, mock) => {
    await powerUp(page, mock, 'good', GOOD, GOOD_PHASES);
    await until(async () => await page.locator('#mark .mark').count() === 1, 'the mark');
    await laidOut(page, 'the bench');
    await clean(page, 'the bench of eight');
    for (const path of ['outputs.html', 'shop.html']) {
      await page.goto(mock.url + path);
      await until(async () => await page.locator('.spine .off').count() === 8, 'eight Offs');
      await laidOut(page, path);
    }
  }, {
    size,
    prepare: (mock) => {
      controlled(HELD)(mock);
      for (let i = 2; i <= 8; i++) mock.addSupply(`bench ${i}`, { output: i, control: true, output_on: i % 2 === 0 });
      Object.assign(mock.supplies.get('bench 4'), HELD);
      Object.assign(mock.supplies.get('bench 5'), { off_wanted: true });
    },
  });
}

for (const [way, makeHand, options] of [['keyboard', keyboardHand, {}], ['touch', touchHand, { hasTouch: true }]]) {
  pageCheck(`hold begun, and ended by holding, by ${way} alone`, async (page, mock) => {
    await waits(page, mock);
    const hand = makeHand(page);
    await hand.press('Memory is read or written \u2026');
    await hand.press('reading it');
    await hand.press('It is: hold');
    await barsShow(page, /left: memory of RC4-0417 is being read or written/);
    await hand.hold('Hold to end', () => until(async () => await bars(page) === '', 'the hold is over'));
    assert.deepEqual(mock.puts.map(({ said }) => [said.on, said.why ?? null]), [[true, 'reading it'], [false, null]]);
  }, { options, prepare: controlled() });
}

pageCheck('how the wire does: share of its limit, low latency, the converter, what went wrong', async (page, mock) => {
  await page.locator('details.supply > summary').click();
  await shows(page, 'rate', 'reads 49 a second, limit 50 (3.1 ms a round trip');
  await shows(page, 'rate', '97 % of it reached');
  await shows(page, 'rate', 'no fault on the wire');
  mock.tell('left', {
    low_latency: 'off', usb_serial: 'HL0007', limit_computed_hz: 55, timeouts: 2, garbled: 1, limit_share: 0.83,
  });
  await shows(page, 'rate', '83 % of it reached');
  await shows(page, 'rate', 'the wire alone allows 55 a second');
  await shows(page, 'rate', 'low latency off: the converter may hold each reply back');
  await shows(page, 'rate', 'usb serial number hl0007');
  await shows(page, 'rate', '2 time-outs, 1 garbled reply');
});

pageCheck('hold where control is off: everybody is told to leave the switch', async (page) => {
  await barsShow(page, /Leave the supply\u2019s switch as it is\./);
}, { prepare: controlled({ ...HELD, control: false }) });

// --- the page's own name ---

pageCheck('a page has one name for its streams and its On, through all pages of its tab', async (page, mock) => {
  await waits(page, mock);
  await holdDown(page, '#switch-on', () => until(() => mock.puts.length === 1, 'On'));
  for (const path of ['shop.html', 'check.html', 'outputs.html']) {
    const before = mock.opened;
    await page.goto(mock.url + path);
    await until(() => mock.opened === before + 1 && mock.streams.size === 1, 'one stream a page');
  }
  const [token] = mock.pages;
  assert.match(token, /^[0-9a-f]{32}$/);
  assert.deepEqual(new Set(mock.pages), new Set([token]));
  assert.equal(mock.puts[0].said.page, token);
  const other = await page.context().newPage();
  await other.goto(mock.url);
  await until(() => mock.pages.at(-1) !== token, 'another tab has another name');
}, { prepare: controlled({ output_on: false }) });

// --- the log of outputs ---

for (const [name, size] of SIZES) {
  pageCheck(`the log of outputs at ${name}: who, when, why; one output; earlier ones; what is new`, async (page, mock) => {
    await page.goto(`${mock.url}outputs.html`);
    await until(async () => await page.locator('.outputs-line').count() === 50, 'the newest fifty');
    const [first, second] = await page.locator('.outputs-line').allInnerTexts();
    assert.match(first.replaceAll('\u00a0', ' '), /^\d\d:\d\d:\d\d\s+right\s+not switched on\s+the page \(TM\)\s+at 0\.100 A the feed stands at 0\.62 V$/);
    assert.match(second.replaceAll('\u00a0', ' '), /^\d\d:\d\d:\d\d\s+left\s+off\s+wakedraw\s+4\.0 s in current limit$/);
    for (const colorScheme of ['light', 'dark']) {
      await page.emulateMedia({ colorScheme });
      await clean(page, `the log in ${colorScheme}`);
    }
    await laidOut(page, 'the log');
    await page.getByRole('button', { name: 'Earlier ones' }).click();
    await until(async () => await page.locator('.outputs-line').count() === 62, 'all of them');
    assert.equal(await page.locator('#earlier').isVisible(), false);
    await page.locator('#supply').selectOption('right');
    await until(async () => await page.locator('.outputs-line').count() === 1, 'one output');
    assert.ok(page.url().endsWith('#right'));
    mock.happened('right', { what: 'on at the supply', who: 'front panel' });
    mock.tell('right');
    await until(async () => /on, seen\s+a hand at the supply/.test(await page.locator('#log').innerText()), 'what is new comes by itself');
    assert.match(await page.locator('#now').innerText(), /wakedraw may not switch it: control is off/);
  }, {
    size,
    prepare: (mock) => {
      controlled()(mock);
      mock.addSupply('right', { output: 2 });
      for (let i = 0; i < 60; i++) {
        mock.happened('left', { what: i % 2 ? 'off' : 'on', who: `run ${i}`, voltage_V: 12, limit_A: TYPE.current_limit_A });
      }
      mock.happened('left', { what: 'off', who: 'wakedraw', why: '4.0 s in current limit' });
      mock.happened('right', { what: 'refused', who: 'page', hand: 'TM', problem: 'at 0.100 A the feed stands at 0.62 V' });
    },
  });
}

pageCheck('no log yet: says what comes there', async (page, mock) => {
  await page.goto(`${mock.url}outputs.html`);
  await shows(page, 'log', 'nothing has been switched or set yet');
});

await finish(closeBrowser);
