// SPDX-License-Identifier: GPL-3.0-or-later
//
// The repair on the bench page, against the mock bench: scanning in, stages, slips,
// undo, the question whether it is still this unit, moving a power-up, comfort.

import assert from 'node:assert/strict';

import { LANDSCAPE, PORTRAIT, closeBrowser, openPage, theBrowser } from './browser.mjs';
import { finish, sleep, until } from './check.mjs';
import { markOf, pageCheck, powerUp, shows, text } from './mock_page.mjs';
import { BAD, BAD_PHASES, GOOD, GOOD_PHASES, TYPE, UNSURE, sendRun } from './scenes.mjs';

const button = (page, name) => page.getByRole('button', { name, exact: true });
const entry = (page, label) => page.locator('dialog[open]').getByRole('textbox', { name: label });
const orderOf = (mock, unit) => mock.orders.orders.findLast((order) => order.unit === unit);
const noSlip = (page) => until(async () => await page.locator('dialog[open]').count() === 0, 'the slip is gone');

// As a scanner does: keys in quick succession, then Enter, wherever the focus is.
async function scan(page, serial) {
  await page.keyboard.type(serial);
  await page.keyboard.press('Enter');
}

// --- intake ---

pageCheck('scan with nothing focused: a known unit is on the bench at its order; undo', async (page, mock) => {
  mock.orders.addOrder(mock.orders.addUnit('RC4-0500', { module_type: TYPE.name }), { stage: 'after rework' });
  await scan(page, 'RC4-0500');
  await shows(page, 'entry-unit', 'RC4-0500');
  await until(async () => await page.locator('.station[aria-pressed="true"]').innerText() === 'after rework', 'its stage');
  assert.equal(await page.locator('#scan-field').inputValue(), '');
  await button(page, 'Undo').click();
  await shows(page, 'entry-unit', 'RC4-0417');
  assert.equal(mock.supplies.get('left').stage, 'intake');
});

pageCheck('a scan while a button has the focus does not press it', async (page, mock) => {
  mock.orders.addOrder(mock.orders.addUnit('RC4-0500', { module_type: TYPE.name }));
  mock.tell('left', { control: true, output_on: true });
  await until(() => page.locator('#switch-off').isVisible(), 'the control is there');
  await page.locator('#switch-off').focus();
  await scan(page, 'RC4-0500');
  await shows(page, 'entry-unit', 'RC4-0500');
  assert.deepEqual(mock.puts, [], 'nothing was switched');
});

pageCheck('a scan while a slip is open presses nothing on it', async (page, mock) => {
  await page.locator('#deed-close').click();
  await button(page, 'repaired').click();
  await page.getByRole('button', { name: 'Close it' }).focus();
  await scan(page, 'RC4-0500');
  await sleep(300);
  assert.equal(await page.locator('dialog[open]').count(), 1);
  assert.ok(!mock.orders.asked.some(([, path]) => path.endsWith('/close')), 'not closed');
});

for (const [name, size] of [['1280x800', LANDSCAPE], ['800x1280', PORTRAIT]]) {
  pageCheck(`an unknown unit at ${name}: two taps`, async (page, mock) => {
    await scan(page, 'RC4-0999');
    await page.getByRole('button', { name: TYPE.name }).click();
    const take = await page.getByRole('button', { name: 'Take it in' }).boundingBox();
    assert.ok(take.y + take.height <= size.height, 'in sight without scrolling');
    await page.getByRole('button', { name: 'Take it in' }).click();
    await shows(page, 'entry-unit', 'RC4-0999');
    await shows(page, 'undo', 'RC4-0999 taken in');
    assert.equal(orderOf(mock, 'RC4-0999').complaint, null);
    await noSlip(page);
  }, { size });
}

pageCheck('all of intake: cold checks before power, photos made small, once each', async (page, mock) => {
  const picture = await page.evaluate(async () => {
    const canvas = document.createElement('canvas');
    canvas.width = 2400;
    canvas.height = 1200;
    canvas.getContext('2d').fillRect(0, 0, 1200, 1200);
    return canvas.toDataURL('image/png').split(',')[1];
  });
  await scan(page, 'RC4-0998');
  await page.getByRole('button', { name: TYPE.name }).click();
  await entry(page, 'Complaint').fill('no display');
  await entry(page, 'Revision').fill('C');
  await entry(page, 'Customer\u2019s reference').fill('PO 7');
  await entry(page, 'battery to ground').fill('much');
  await entry(page, 'Hand').fill('MK');
  await page.getByRole('button', { name: 'coin cell' }).click();
  await until(() => page.locator('.caution').isVisible(), 'the caution of the cell');
  await page.locator('.photo-input').setInputFiles({
    name: 'board.png', mimeType: 'image/png', buffer: Buffer.from(picture, 'base64'),
  });
  await page.getByRole('button', { name: 'Take it in' }).click();
  await until(async () => /no number of ohms/.test(await page.locator('dialog[open]').innerText()), 'refused on the slip');
  assert.deepEqual(mock.orders.asked, [], 'nothing half written');
  await entry(page, 'battery to ground').fill('4,7k');
  await page.getByRole('button', { name: 'Take it in' }).click();
  await noSlip(page);
  const order = orderOf(mock, 'RC4-0998');
  assert.deepEqual([order.complaint, order.customer_reference, order.cells], ['no display', 'PO 7', 'coin cell']);
  assert.deepEqual(order.meter_readings.map(({ what, value, unit, before_power, hand, stage }) => [what, value, unit, before_power, hand, stage]),
    [['battery to ground', 4700, 'ohm', true, 'MK', 'intake']]);
  assert.equal(order.photos.length, 1);
  assert.deepEqual(jpegSize(mock.orders.photos.get(order.photos[0].id)), [1600, 800]);
  assert.equal(mock.orders.asked.filter(([, path]) => path.endsWith('/intake')).length, 1);
  assert.equal(await page.evaluate(() => localStorage.getItem('bench.hand')), 'MK');
});

// Width and height in a JPEG's frame header.
function jpegSize(bytes) {
  assert.deepEqual([...bytes.subarray(0, 3)], [0xff, 0xd8, 0xff], 'a JPEG');
  let at = 2;
  while (bytes[at + 1] < 0xc0 || bytes[at + 1] > 0xc2) at += 2 + bytes.readUInt16BE(at + 2);
  return [bytes.readUInt16BE(at + 7), bytes.readUInt16BE(at + 5)];
}

pageCheck('a part that fails is tried again without taking the unit in twice', async (page, mock) => {
  await scan(page, 'RC4-0997');
  await page.getByRole('button', { name: TYPE.name }).click();
  await entry(page, 'battery to ground').fill('12');
  let refused = 0;
  await page.route('**/meter-readings', (route) => {
    refused++;
    if (refused > 1) return route.continue();
    return route.fulfill({ status: 503, contentType: 'application/problem+json', body: '{"status":503,"detail":"the disk is full"}' });
  });
  await page.getByRole('button', { name: 'Take it in' }).click();
  await until(async () => /the disk is full/.test(await page.locator('dialog[open]').innerText()), 'said on the slip');
  await page.getByRole('button', { name: 'Take it in' }).click();
  await noSlip(page);
  assert.equal(mock.orders.orders.filter((order) => order.unit === 'RC4-0997').length, 1);
  assert.equal(orderOf(mock, 'RC4-0997').meter_readings.length, 1);
});

pageCheck('under warranty: the days left and the earlier orders, at once', async (page, mock) => {
  const unit = mock.orders.addUnit('RC4-0300', {
    module_type: TYPE.name, warranty: { work_order: '2001', until: '2027-06-01T00:00:00Z', days_left: 188 },
  });
  mock.orders.addOrder(unit, { id: '2001', closed_at: '2026-06-01T10:00:00Z', outcome: 'repaired', record: '9' });
  await scan(page, 'RC4-0300');
  await shows(page, 'undo', '188 days of warranty left');
  await shows(page, 'order', 'under warranty: 188 days left of order 2001');
  assert.equal(await page.locator('#order a').getAttribute('href'), '/folder.html#RC4-0300');
});

// --- stages and cautions ---

pageCheck('one tap changes the stage, undo takes it back, Ctrl+Z too', async (page, mock) => {
  await button(page, 'after rework').click();
  await until(() => mock.supplies.get('left').stage === 'after rework', 'the stage on the bench');
  await until(async () => await page.evaluate(() => document.activeElement.textContent) === 'after rework', 'the focus stays');
  assert.equal(mock.puts.at(-1).said.work_order, '2291');
  await shows(page, 'undo', 'stage: after rework');
  await button(page, 'Undo').click();
  await until(() => mock.supplies.get('left').stage === 'intake', 'back');
  await button(page, 'final').click();
  await until(() => mock.supplies.get('left').stage === 'final', 'the stage on the bench');
  await shows(page, 'undo', 'stage: final');
  await page.keyboard.press('Control+z');
  await until(() => mock.supplies.get('left').stage === 'intake', 'back');
  await button(page, 'heat').click();
  await until(() => mock.supplies.get('left').tag === 'heat', 'heated');
  await button(page, 'after cleaning').click();
  await until(() => mock.supplies.get('left').tag === null, 'no longer heated at another stage');
});

pageCheck('the undo strip goes by itself after 8 s', async (page) => {
  await button(page, 'after rework').click();
  await shows(page, 'undo', 'stage: after rework');
  const from_ms = Date.now();
  await until(async () => !await page.locator('#undo').isVisible(), 'gone');
  assert.ok(Date.now() - from_ms > 6000, `${Date.now() - from_ms} ms`);
});

pageCheck('a cell on the board: a caution before heat that stays until it is understood', async (page, mock) => {
  orderOf(mock, 'RC4-0417').cells = 'coin cell';
  await shows(page, 'cautions', 'a cell is on the board');
  for (const name of ['heat check', 'heat']) {
    await button(page, name).click();
    await shows(page, 'undo', 'take it off before any heat');
    await button(page, 'Understood').click();
    await until(async () => !await page.locator('#undo').isVisible(), 'put away');
  }
  orderOf(mock, 'RC4-0417').cells = 'none seen';
  await until(async () => !/cell/.test(await text(page, 'cautions')), 'no caution where there is none');
});

// --- notes, readings, closing, the record ---

pageCheck('note, reading, close, record; each undone', async (page, mock) => {
  const order = orderOf(mock, 'RC4-0417');
  await page.locator('#deed-note').click();
  await button(page, 'Write it down').click();
  await until(async () => /still empty/.test(await page.locator('dialog[open]').innerText()), 'an empty one is refused');
  await entry(page, 'Note').fill('flux under the driver');
  await entry(page, 'Hand').fill('MK');
  await button(page, 'Write it down').click();
  await shows(page, 'order', '1 note');
  assert.deepEqual([order.notes[0].text, order.notes[0].hand, order.notes[0].stage], ['flux under the driver', 'MK', 'intake']);
  await button(page, 'Undo').click();
  await until(() => order.notes[0].struck_at, 'struck');
  await page.locator('#deed-reading').click();
  await button(page, '3.3 V rail').click();
  await entry(page, 'Value').fill('3,28');
  assert.equal(await entry(page, 'Hand').inputValue(), 'MK', 'the hand is remembered');
  await button(page, 'Write it down').click();
  await shows(page, 'order', '1 reading');
  assert.deepEqual([order.meter_readings[0].what, order.meter_readings[0].value, order.meter_readings[0].unit], ['3.3 V rail', 3.28, 'V']);
  await closeOrder(page);
  await shows(page, 'order', 'RC4-0417 closed today: repaired');
  assert.equal(order.found_cause, 'open joint');
  await button(page, 'Undo').click();
  await until(() => order.closed_at === null, 'open again');
  await shows(page, 'entry-unit', 'RC4-0417');
  await closeOrder(page);
  await shows(page, 'entry-unit', 'not said yet');
  await page.reload();
  await page.locator('#deed-record').click();
  await button(page, 'Write it').click();
  await until(() => page.locator('#order a', { hasText: 'See the record' }).count(), 'the record');
  assert.equal(await page.locator('#order a', { hasText: 'See the record' }).getAttribute('href'), `/record.html#${order.record}`);
  await page.locator('#deed-off').click();
  await shows(page, 'order', 'no unit yet');
});

async function closeOrder(page) {
  await page.locator('#deed-close').click();
  await button(page, 'Close it').click();
  await until(async () => /outcome is not said/.test(await page.locator('dialog[open]').innerText()), 'the outcome is asked for');
  await button(page, 'repaired').click();
  await entry(page, 'Found cause').fill('open joint');
  await entry(page, 'Hand').fill('MK');
  await button(page, 'Close it').click();
  await noSlip(page);
}

// --- still this unit, wrong attachments ---

pageCheck('still this unit? asked beside the verdict, never over it; yes', async (page, mock) => {
  await powerUp(page, mock, 'good', GOOD, GOOD_PHASES);
  mock.tell('left', { ask_unit: true });
  await shows(page, 'still-text', 'still RC4-0417, intake?');
  await until(async () => await page.locator('#mark .mark').count() === 1, 'the verdict');
  const [still, mark] = await Promise.all(['#still', '#mark'].map((id) => page.locator(id).boundingBox()));
  assert.ok(still.y + still.height <= mark.y + 1, 'above the verdict');
  assert.equal(await markOf(page), 'good');
  await button(page, 'Yes').click();
  await until(() => mock.supplies.get('left').ask_unit === false, 'confirmed');
  await until(async () => !await page.locator('#still').isVisible(), 'asked no more');
});

pageCheck('another unit: off the bench, its power-up nobody\u2019s; and back', async (page, mock) => {
  await powerUp(page, mock, 'good', GOOD, GOOD_PHASES);
  mock.tell('left', { ask_unit: true });
  await button(page, 'Another unit').click();
  await shows(page, 'undo', 'RC4-0417 is off the bench');
  await shows(page, 'entry-unit', 'not said yet');
  const item = mock.powerUps.find((each) => each.id === '5');
  await until(() => item.unit === null, 'nobody\u2019s');
  assert.equal(await markOf(page), 'good', 'the verdict stays');
  await button(page, 'Undo').click();
  await until(() => item.unit === 'RC4-0417', 'its own again');
  assert.deepEqual(item.moves.map(({ to }) => to), [null, 'RC4-0417']);
  await shows(page, 'entry-unit', 'RC4-0417');
});

pageCheck('a copy can be moved; where a record rests on it only with a correcting record', async (page, mock) => {
  const target = mock.orders.addOrder(mock.orders.addUnit('RC4-0600', { module_type: TYPE.name }));
  mock.orders.addOrder(mock.orders.addUnit('RC4-0411', { module_type: TYPE.name }), { id: '2290', record: '3' });
  await page.locator('.counterfoil[data-power-up="2"]').click();
  await page.locator('#copy-move').click();
  await entry(page, 'Unit, serial number').fill('RC4-0600');
  await entry(page, 'Stage').fill('after rework');
  await button(page, 'Move it').click();
  await until(async () => /why it is moved is not said/i.test(await page.locator('dialog[open]').innerText()), 'why is asked');
  await entry(page, 'Why').fill('the wrong one was scanned');
  await button(page, 'Move it').click();
  await until(() => page.locator('.tick').isVisible(), 'the correcting record is offered');
  await page.locator('.tick').click();
  await button(page, 'Move it').click();
  await noSlip(page);
  const item = mock.powerUps.find((each) => each.id === '2');
  assert.deepEqual([item.unit, item.work_order, item.stage], ['RC4-0600', target.id, 'after rework']);
  await shows(page, 'entry-unit', 'RC4-0600');
});

// --- the tablet ---

pageCheck('a tablet is bound to one output: scans go there whatever it looks at', async (page, mock) => {
  mock.orders.addOrder(mock.orders.addUnit('RC4-0500', { module_type: TYPE.name }));
  mock.addSupply('right', { output: 2 });
  mock.tell('right');
  mock.orders.addOrder(mock.orders.addUnit('RC4-0501', { module_type: TYPE.name }));
  await page.locator('.tab[data-supply="left"]').click();
  await scan(page, 'RC4-0501');
  await shows(page, 'entry-unit', 'RC4-0501');
  await page.locator('.tab[data-supply="right"]').click();
  await shows(page, 'scan-note', 'goes to left');
  await scan(page, 'RC4-0500');
  await until(() => mock.supplies.get('left').unit === 'RC4-0500', 'on the bound output');
  await shows(page, 'entry-unit', 'RC4-0500');
  await page.locator('.counterfoil').first().click();
  await scan(page, 'RC4-0501');
  await until(async () => !await page.locator('#copy-band').isVisible(), 'the bench, not the copy');
  await page.locator('.tab[data-supply="right"]').click();
  await button(page, 'Let it go to right').click();
  await shows(page, 'scan-note', 'goes to right');
  await page.reload();
  await shows(page, 'scan-note', 'goes to right');
});

pageCheck('off stays one touch away over a slip, for every output that is on', async (page, mock) => {
  mock.addSupply('right', { output: 2, control: true, output_on: true });
  mock.tell('right');
  mock.tell('left', { control: true, output_on: true });
  await until(async () => await page.locator('.spine .off').count() === 2, 'in the spine');
  await page.locator('#deed-note').click();
  await page.locator('dialog[open] .off[data-supply="right"]').click();
  await until(() => mock.supplies.get('right').output_on === false, 'switched off');
  await until(async () => await page.locator('dialog[open] .off[data-on="yes"]').count() === 1, 'one is still on');
  assert.equal(await page.locator('dialog[open] .off').count(), 2, 'and none has moved');
  mock.refusal = { status: 503, title: 'Unavailable', detail: 'the supply does not answer.' };
  await page.locator('dialog[open] .off[data-on="yes"]').click();
  await until(async () => /off was not carried out/i.test(await page.locator('dialog[open]').innerText()), 'said there');
});

pageCheck('tones: off by default, three that differ, once a verdict', async (page, mock) => {
  await page.evaluate(() => {
    window.notes = [];
    const { prototype } = AudioContext;
    const make = prototype.createOscillator;
    prototype.createOscillator = function heard() {
      const made = make.call(this);
      const set = made.frequency.setValueAtTime.bind(made.frequency);
      made.frequency.setValueAtTime = (hertz, at) => {
        window.notes.push(hertz);
        return set(hertz, at);
      };
      return made;
    };
  });
  const notes = () => page.evaluate(() => window.notes.splice(0));
  await shows(page, 'tones', 'tones off');
  await powerUp(page, mock, 'good', GOOD, GOOD_PHASES);
  await until(async () => await page.locator('#mark .mark').count() === 1, 'the mark');
  assert.deepEqual(await notes(), [], 'silent');
  await page.locator('#tones').click();
  await shows(page, 'tones', 'tones on');
  await notes();
  const heard = [];
  for (const [i, [kind, verdict, phases]] of [['good', GOOD, GOOD_PHASES], ['bad', BAD, BAD_PHASES],
    ['unsure', UNSURE, GOOD_PHASES]].entries()) {
    mock.begin('left', String(20 + i), 1100 + 20 * i, 8);
    sendRun(mock, 'left', kind, 1100 + 20 * i, 0, 2);
    mock.judge(String(20 + i), verdict, phases, { kept: false });
    mock.judge(String(20 + i), verdict, phases, { kept: true });
    await until(async () => await markOf(page) === kind, 'its verdict');
    heard.push((await notes()).join());
    mock.end(String(20 + i), 'output off');
  }
  assert.equal(new Set(heard).size, 3, heard.join(' / '));
  assert.ok(heard.every((each) => each !== ''), heard.join(' / '));
  assert.equal(heard[0].split(',').length, 2, 'once, though it was told twice');
  await page.reload();
  await shows(page, 'tones', 'tones on');
});

pageCheck('light: by the room, paper, night; kept on the tablet', async (page) => {
  const paper = () => page.evaluate(() => getComputedStyle(document.documentElement).getPropertyValue('--paper').trim());
  const room = await paper();
  const light = page.locator('.spine-light');
  await light.click();
  assert.equal(await light.innerText(), 'Paper');
  assert.equal(await paper(), room);
  await light.click();
  assert.equal(await light.innerText(), 'Night');
  const night = await paper();
  assert.notEqual(night, room);
  await page.reload();
  assert.equal(await paper(), night);
  await page.emulateMedia({ colorScheme: 'dark' });
  await light.click();
  assert.equal(await light.innerText(), 'Room');
  assert.equal(await paper(), night);
  await page.emulateMedia({ colorScheme: 'light' });
  assert.equal(await paper(), room);
});

pageCheck('the screen stays on while the page is seen; said where it cannot', async (page, mock) => {
  await page.locator('details.supply summary').click();
  await until(async () => /The screen (stays on|may go dark)/.test(await text(page, 'awake')), 'said');
  // A page over plain http from another machine is no secure context.
  await page.addInitScript(() => Object.defineProperty(globalThis, 'isSecureContext', { value: false }));
  await page.goto('about:blank');
  await page.goto(mock.url);
  await page.locator('details.supply summary').click();
  await shows(page, 'awake', 'needs the page over https');
});

pageCheck('it can be installed: manifest and icons are there', async (page, mock) => {
  const manifest = await page.evaluate(async () => {
    const answer = await fetch(document.querySelector('link[rel="manifest"]').href);
    return { type: answer.headers.get('content-type'), ...await answer.json() };
  });
  assert.equal(manifest.type, 'application/manifest+json');
  assert.equal(manifest.display, 'standalone');
  for (const { src, sizes } of manifest.icons) {
    const size = await page.evaluate(async (url) => {
      const picture = new Image();
      picture.src = url;
      await picture.decode();
      return picture.naturalWidth;
    }, src);
    if (sizes !== 'any') assert.equal(size, parseInt(sizes, 10), src);
  }
  assert.ok(mock.url);
});

for (const [kind, verdict, phases] of [['good', GOOD, GOOD_PHASES], ['bad', BAD, BAD_PHASES], ['unsure', UNSURE, GOOD_PHASES]]) {
  pageCheck(`legible at 1.5 m: ${kind} at least 14 mm high, the reason 28 px`, async (page, mock) => {
    await powerUp(page, mock, kind, verdict, phases);
    await until(async () => await page.locator('#mark .mark').count() === 1, 'the mark');
    const found = await page.evaluate(() => {
      const word = document.querySelector('#mark .mark-word');
      const { font } = getComputedStyle(word);
      const pen = document.createElement('canvas').getContext('2d');
      pen.font = font;
      return {
        high_mm: pen.measureText(word.textContent.toUpperCase()).actualBoundingBoxAscent / 96 * 25.4,
        inside: word.getBoundingClientRect().width / document.querySelector('#mark .mark').getBoundingClientRect().width,
        reason_px: parseFloat(getComputedStyle(document.getElementById('reason')).fontSize),
      };
    });
    assert.ok(found.high_mm >= 14, `${found.high_mm} mm`);
    assert.ok(found.inside < 0.9, `the word fills ${found.inside} of its mark`);
    assert.ok(found.reason_px >= 28, `${found.reason_px} px`);
    return `${found.high_mm.toFixed(1)} mm`;
  });
}

// --- two tablets, a reload ---

pageCheck('two tablets on the same order: what one writes the other shows', async (page, mock) => {
  const other = await openPage(await theBrowser(), mock.url, PORTRAIT, {}, mock.url);
  try {
    await until(() => other.locator('#deed-note').count(), 'the order on the other');
    await page.locator('#deed-note').click();
    await entry(page, 'Note').fill('from the first');
    await other.locator('#deed-note').click();
    await entry(other, 'Note').fill('from the second');
    await button(page, 'Write it down').click();
    await shows(page, 'order', 'note');
    assert.equal(await entry(other, 'Note').inputValue(), 'from the second', 'its slip is left alone');
    await button(other, 'Write it down').click();
    for (const each of [page, other]) await shows(each, 'order', '2 notes');
    await button(other, 'after coating').click();
    await until(async () => await page.locator('.station[aria-pressed="true"]').innerText() === 'after coating', 'the stage on the first');
    assert.deepEqual(other.complaints, []);
  } finally {
    await other.context().close();
  }
});

pageCheck('a reload in the middle: unit, stage, order and what was written are there', async (page, mock) => {
  await scan(page, 'RC4-0995');
  await page.getByRole('button', { name: TYPE.name }).click();
  await page.getByRole('button', { name: 'Take it in' }).click();
  await shows(page, 'entry-unit', 'RC4-0995');
  await button(page, 'after rework').click();
  await until(() => mock.supplies.get('left').stage === 'after rework', 'the stage');
  await page.reload();
  await shows(page, 'entry-unit', 'RC4-0995');
  await until(async () => await page.locator('.station[aria-pressed="true"]').innerText() === 'after rework', 'its stage');
  await until(() => page.locator('#deed-close').count(), 'its order');
});

// --- empty states ---

pageCheck('nothing scanned yet: says how', async (page) => {
  await shows(page, 'order', 'no unit yet. scan its serial number');
}, { prepare: (mock) => Object.assign(mock.supplies.get('left'), { unit: null, work_order: null, stage: null }) });

await finish(closeBrowser);
