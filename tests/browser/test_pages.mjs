// SPDX-License-Identifier: GPL-3.0-or-later
//
// The pages that look at what is kept - folder, record, references, ledger - on a
// made-up week: in both orientations and lights, by keyboard and by touch, printed,
// and reloaded in the middle.

import assert from 'node:assert/strict';

import { clean } from './accessibility.mjs';
import { LANDSCAPE, PORTRAIT, closeBrowser, openPage, theBrowser } from './browser.mjs';
import { check, finish, until } from './check.mjs';

import { StoredWeek } from './stored_week.mjs';

const week = await StoredWeek.start();

function pageCheck(name, path, scene, size = LANDSCAPE, options = {}) {
  check(name, async () => {
    let page = null;
    try {
      page = await openPage(await theBrowser(), week.url + path, size, { reducedMotion: 'reduce', ...options }, week.url);
      await scene(page);
      assert.deepEqual(page.complaints, []);
    } catch (error) {
      error.stack += `\npage: ${page?.url()}\n${(await page?.locator('body').innerText())?.slice(0, 3000)}`;
      throw error;
    } finally {
      await page?.context().close();
    }
  });
}

const sees = (page, text) => until(() => page.getByText(text).filter({ visible: true }).count(), `"${text}"`);

let visit = 0;

// Anew, though nothing but the part behind the # may differ.
async function go(page, path, text) {
  await page.goto(week.url + path.replace('.html', `.html?visit=${++visit}`));
  await sees(page, text);
}

// --- every page, as it stands ---

const PAGES = [
  ['folder.html', 'open, work order'],
  ['folder.html#HL-0400', 'against its own signature when it left'],
  ['folder.html#HL-0407', 'Notes and meter readings'],
  ['references.html', 'Known-goods'],
  ['ledger.html', 'From intake to close'],
  ['ledger.html#show=power-ups&verdict=bad', 'Power-ups, '],
  ['ledger.html#from=2020-01-01&to=2020-01-07', 'The ledger fills itself'],
  ['record.html#1', 'What the power-ups support'],
  ['shop.html', 'Stages of a repair'],
  ['find.html', 'Its panel'],
  ['outputs.html', 'What was switched and set'],
];

for (const [name, size] of [['1280x800', LANDSCAPE], ['800x1280', PORTRAIT]]) {
  pageCheck(`every page at ${name}, light and dark: nothing found, nothing cut off`, 'folder.html', async (page) => {
    for (const [path, text] of PAGES) {
      await go(page, path, text);
      for (const fold of await page.locator('.folder-all > summary').all()) await fold.click();
      for (const colorScheme of ['light', 'dark']) {
        await page.emulateMedia({ colorScheme });
        await clean(page, `${path}, ${colorScheme}`);
      }
      const wide = await page.evaluate(() => document.documentElement.scrollWidth);
      assert.ok(wide <= size.width, `${path}: ${wide} px wide`);
      const small = await page.evaluate(() => [...document.querySelectorAll('a, button, input, select, summary')]
        .filter((each) => each.checkVisibility() && !each.closest('label'))
        .filter((each) => each.getBoundingClientRect().height < 47.5).map((each) => each.outerHTML.slice(0, 120)));
      assert.deepEqual(small, [], `${path}: lower than a finger`);
    }
  }, size);
}

// --- the folder ---

async function reach(page, words) {
  for (let i = 0; i < 120; i++) {
    const found = await page.evaluate((wanted) => {
      const at = document.activeElement;
      return [at.textContent, at.labels?.[0]?.textContent ?? '', at.getAttribute('aria-label') ?? '']
        .some((text) => text.trim().startsWith(wanted));
    }, words);
    if (found) return;
    await page.keyboard.press('Tab');
  }
  throw new Error(`no Tab reaches "${words}"`);
}

async function press(page, words, key = 'Enter') {
  await reach(page, words);
  await page.keyboard.press(key);
}

pageCheck('folder by keyboard: found, compared with how it left, tagged, taken back', 'folder.html', async (page) => {
  await reach(page, 'Serial number');
  await page.keyboard.type('HL-0400\n');
  await sees(page, 'against its own signature when it left');
  assert.match(await page.locator('.changes').first().innerText(),
    /^Changed: final draw 0\.37\d A today, 0\.39\d A when it left, .* less .*more than the unit's own spread; still within the type's limits/);
  assert.match(await page.locator('.stage-verdict').first().innerText(), /good/i);
  const { items: [item] } = await week.get('power-ups?unit=HL-0400&limit=1');
  await press(page, 'Power-ups of this order: 1');
  await press(page, `Tag power-up ${item.id}`);
  await press(page, 'under cold');
  await press(page, 'Tag it');
  await sees(page, `Power-up ${item.id} is tagged cold.`);
  assert.equal((await week.get(`power-ups/${item.id}`)).tag, 'cold');
  // Cold is no fair comparison with how it left.
  assert.equal(await page.getByText('against its own signature').count(), 0);
  await page.keyboard.press('Control+z');
  await until(async () => (await week.get(`power-ups/${item.id}`)).tag === null, 'it is taken back');
});

pageCheck('folder by touch: moved and back, closed, its record written', 'folder.html#HL-0409', async (page) => {
  await sees(page, 'Power-ups of this order: 2');
  await page.locator('.folder-all > summary').tap();
  const { items } = await week.get('power-ups?unit=HL-0409');
  await page.getByRole('button', { name: `Move power-up ${items[0].id}` }).tap();
  const dialog = page.locator('dialog[open]');
  await dialog.getByLabel('Unit, serial number').fill('HL-0400');
  await dialog.getByRole('button', { name: 'Move it' }).tap();
  await sees(page, 'Why it is moved is not said.');
  await dialog.getByLabel('Why', { exact: true }).fill('the lead was on the other one');
  await dialog.getByRole('button', { name: 'Move it' }).tap();
  await sees(page, `Power-up ${items[0].id} moved to HL-0400.`);
  assert.equal((await week.get(`power-ups/${items[0].id}`)).unit, 'HL-0400');
  await sees(page, 'Power-ups of this order: 1');
  await page.getByRole('button', { name: 'Undo' }).tap();
  await sees(page, 'Power-ups of this order: 2');

  await page.getByRole('button', { name: 'Close the order' }).tap();
  await dialog.getByRole('button', { name: 'not repairable' }).tap();
  await dialog.getByLabel('Hand').fill('TM');
  await dialog.getByRole('button', { name: 'Close it' }).tap();
  await sees(page, 'closed: not repairable');
  await page.reload();
  await sees(page, 'Write the record');
  await page.getByRole('button', { name: 'Write the record' }).tap();
  await dialog.getByRole('button', { name: 'Write it' }).tap();
  await until(() => page.locator('.folder-deeds a').filter({ hasText: /^Record \d+/ }).count(), 'the record');
  await page.locator('.folder-deeds a').filter({ hasText: /^Record \d+/ }).tap();
  await sees(page, 'What the power-ups support');
  assert.match(await page.locator('#record').innerText(), /HL-0409[\s\S]*not repairable/);
}, PORTRAIT, { hasTouch: true });

// --- the record ---

const sheets = (pdf) => (pdf.toString('latin1').match(/\/Type\s*\/Page\b/g) ?? []).length;

pageCheck('record: one sheet in A4 and in Letter, short or long, and its files', 'record.html#1', async (page) => {
  const { items } = await week.get('records?limit=100');
  const long = items.find((each) => each.unit === 'HL-0407');
  assert.equal((await week.get(`work-orders/${long.work_order}`)).notes.length, 12);
  for (const { id, unit } of [items.find((each) => each.unit === 'HL-0401'), long]) {
    await go(page, `record.html#${id}`, 'What the power-ups support');
    for (const format of ['A4', 'Letter']) {
      const pdf = await page.pdf({ format, preferCSSPageSize: false });
      assert.equal(sheets(pdf), 1, `${unit} on ${format}`);
    }
    const [json, csv] = await Promise.all(['#tool-json', '#tool-csv'].map(async (tool) => {
      const answer = await page.request.get(await page.locator(tool).evaluate((each) => each.href));
      assert.equal(answer.status(), 200);
      return answer.text();
    }));
    assert.equal(JSON.parse(json).content.unit.serial, unit);
    assert.equal(csv.split('\r\n')[0].split(',').length > 5, true);
    assert.ok(csv.includes('after rework'));
  }
  await page.reload();
  await sees(page, 'What the power-ups support');
});

// As much as a record can hold, more than a shop ever writes.
function crowded(record) {
  const { content } = record;
  const long = 'the board was looked at under the glass, joint by joint, and nothing more was seen there. ';
  const names = Array.from({ length: 12 }, (_, i) => `after step ${i + 1}`);
  const row = content.rows.find((each) => each.of === 'final_draw_A');
  const point = row.points[0];
  const change = { ...row.changes[0], low_share: -0.01, high_share: 0.01 };
  row.points = names.map((stage) => ({ ...point, stage, n: 3, low: 0.39, high: 0.41 }));
  row.changes = names.slice(1).map((to, i) => ({ ...change, from: names[i], to }));
  content.stages = names.map((stage) => ({ ...content.stages[0], stage, power_ups: 3, good: 3 }));
  content.not_tested = content.not_tested.concat(long, long);
  content.simulated = true;
  content.corrects = { number: 1, why: long.repeat(5) };
  content.bench_check = { state: 'overdue' };
  content.against_shipped = { work_order: '1', power_up: '9', changed: true, said: [long.repeat(2), long.repeat(2)] };
  content.notes = content.notes.map((note) => ({ ...note, text: long.repeat(20) }));
  for (const key of ['condition', 'parts', 'cells', 'customer_reference']) content.work_order[key] = long.repeat(6);
  for (const each of [content.before, content.after]) each.reason = long.repeat(4);
  return record;
}

pageCheck('record: one sheet even where all of it is long', 'folder.html', async (page) => {
  const { items } = await week.get('records?limit=100');
  const { id } = items.find((each) => each.unit === 'HL-0407');
  await page.route(`**/api/v1/records/${id}`, async (route) => route.fulfill({ json: crowded(await week.get(`records/${id}`)) }));
  await go(page, `record.html#${id}`, 'Bench unverified');
  for (const format of ['A4', 'Letter']) {
    assert.equal(sheets(await page.pdf({ format, preferCSSPageSize: false })), 1, format);
  }
});

// --- references ---

pageCheck('references by touch: known-goods, why, tried, published, gone back', 'references.html', async (page) => {
  await sees(page, 'HL-0401');
  const unit = (serial) => page.locator('.unit').filter({ has: page.getByText(serial, { exact: true }) });
  const choose = async (serial) => {
    for (const n of [0, 1, 2]) await unit(serial).locator('.unit-line').filter({ hasText: 'final' }).nth(n).tap();
  };
  await choose('HL-0401');
  await page.reload(); // nothing of it was kept, nothing is broken
  await sees(page, 'HL-0401');
  assert.equal(await page.locator('.unit input:checked').count(), 0);
  const serials = ['HL-0401', 'HL-0402', 'HL-0403', 'HL-0404'];
  for (const serial of serials) await choose(serial);
  await page.getByRole('button', { name: 'Try it' }).tap();
  await sees(page, 'Say why HL-0404, HL-0403, HL-0402, HL-0401 are trusted.');
  for (const serial of serials) await unit(serial).getByLabel('Why it is trusted').fill('a season on the quay, and back sound');
  await page.getByRole('button', { name: 'Try it' }).tap();
  await sees(page, 'As it would be');
  assert.equal(await page.locator('.teach-envelope svg').count(), 1);
  assert.ok(await page.locator('.claims li').count() > 0);
  assert.match(await page.locator('#trial').innerText(), /past power-ups? of this type judged again/);
  await clean(page, 'a trial');
  await page.getByRole('button', { name: 'Publish as version 2' }).tap();
  await sees(page, 'Version 2 judges from now on.');
  const published = (await week.get('references?limit=1')).items[0];
  assert.deepEqual([published.version, published.units, published.power_ups], [2, 4, 12]);
  const { known_good: trusted } = (await week.get('power-ups?unit=HL-0402&stage=final&limit=1')).items[0];
  assert.equal(trusted.why, 'a season on the quay, and back sound');
  await page.getByRole('button', { name: 'Go back to this one' }).tap();
  await sees(page, 'Version 1 judges again, as version 3.');
  assert.equal((await week.get('references?limit=1')).items[0].range_only, true);
}, PORTRAIT, { hasTouch: true });

pageCheck('references by keyboard: chosen, refused without why, a stated range tried', 'references.html', async (page) => {
  await sees(page, 'HL-0401');
  await reach(page, 'from, A');
  await page.keyboard.type('0.39');
  await press(page, 'Try it');
  await sees(page, 'The stated range needs two numbers');
  await page.keyboard.press('Shift+Tab');
  for (let i = 0; i < 2; i++) await page.keyboard.press('Shift+Tab');
  await reach(page, 'to, A');
  await page.keyboard.type('0.41');
  await press(page, 'Try it');
  await sees(page, 'As it would be');
  assert.match(await page.locator('.teach-final').innerText(), /0\.390 to 0\.410/);
});

// --- the shop ---

pageCheck('shop by keyboard: stages and a resistor are set, what is wrong is named, taken back', 'shop.html', async (page) => {
  await sees(page, 'Stages of a repair');
  const { stages } = await week.get('settings');
  await reach(page, 'Stages of a repair');
  await page.keyboard.press('Control+a');
  await page.keyboard.type('intake\nafter rework\nfinal');
  await reach(page, 'Check resistors');
  await page.keyboard.press('Control+a');
  await page.keyboard.type('none');
  await press(page, 'Write it down');
  await sees(page, '"none" is not two numbers');
  await page.keyboard.press('Shift+Tab');
  await page.keyboard.press('Shift+Tab');
  await page.keyboard.press('Control+a');
  await page.keyboard.type('100, 0.5');
  await press(page, 'Write it down');
  await sees(page, 'Written down.');
  const written = await week.get('settings');
  assert.deepEqual(written.stages, ['intake', 'after rework', 'final']);
  assert.deepEqual(written.resistors, [{ ohm: 100, tolerance_percent: 0.5 }]);
  await page.reload();
  await sees(page, 'Stages of a repair');
  await page.getByLabel('Stages of a repair').fill(stages.join('\n'));
  await page.getByRole('button', { name: 'Write it down' }).click();
  await sees(page, 'Written down.');
  await page.getByRole('button', { name: 'Take it back' }).click();
  await sees(page, 'As it was.');
  assert.deepEqual((await week.get('settings')).stages, written.stages);
});

pageCheck('shop by touch: how long a page may be gone before its output goes off', 'shop.html', async (page) => {
  const gone = page.getByLabel('Off when the page that switched an output on is gone for');
  await until(async () => await gone.inputValue() === '60', 'a minute at first');
  await gone.fill('4000');
  await page.getByRole('button', { name: 'Write it down' }).tap();
  await sees(page, '3600');
  await gone.fill('0');
  await page.getByRole('button', { name: 'Write it down' }).tap();
  await sees(page, 'Written down.');
  assert.equal((await week.get('settings')).page_gone_s, 0);
  await page.getByRole('button', { name: 'Take it back' }).tap();
  await sees(page, 'As it was.');
  assert.equal((await week.get('settings')).page_gone_s, 60);
}, PORTRAIT, { hasTouch: true });

pageCheck('how a type is switched on: written, what cannot be is named, taken back', 'references.html', async (page) => {
  await until(() => page.locator('#type-form summary').count(), 'the fold');
  const name = await page.locator('#type').inputValue();
  const type = async () => (await week.get('module-types?limit=500')).items.find((each) => each.name === name);
  const before = await type();
  await press(page, 'How it is switched on');
  await clean(page, 'the form of a type');
  const fill = async (words, text) => {
    await reach(page, words);
    await page.keyboard.press('Control+a');
    await page.keyboard.type(text);
  };
  await fill('Voltage, V', '12.5');
  await fill('Current limit, A', '1.5');
  await fill('Look first at, A', '2');
  await fill('Longest in current limit, s', '4');
  await page.keyboard.press('Enter');
  await sees(page, 'The look\u2019s current is over the limit.');
  for (let i = 0; i < 3; i++) await page.keyboard.press('Shift+Tab');
  await fill('Look first at, A', '0.2');
  await page.keyboard.press('Enter');
  await sees(page, 'is switched on is written down.');
  const written = await type();
  assert.deepEqual([written.nominal_voltage_V, written.current_limit_A, written.look_limit_A, written.look_voltage_V, written.limit_longest_s],
    [12.5, 1.5, 0.2, null, 4]);
  assert.deepEqual([written.watch_s, written.feeds], [before.watch_s, before.feeds], 'what the form does not hold stays');
  await page.getByRole('button', { name: 'Take it back' }).click();
  await sees(page, 'As it was.');
  assert.deepEqual(await type(), before);
});

// --- the ledger ---

pageCheck('ledger by keyboard: a figure leads to its power-ups, these to their units', 'ledger.html', async (page) => {
  await sees(page, 'From intake to close');
  const ledger = await week.get('ledger');
  const bad = ledger.verdicts_by_day.reduce((sum, day) => sum + day.bad, 0);
  const reason = ledger.reasons_by_type.find((each) => each.verdict === 'bad');
  assert.equal(reason.count, bad, 'all that is bad settles low');
  await press(page, `${reason.count} bad, settles low`);
  await sees(page, 'bad, settles low, harbour-lane-logger');
  assert.equal(await page.locator('.ledger-power-up').count(), bad);
  await page.reload();
  await sees(page, 'bad, settles low, harbour-lane-logger');
  await press(page, 'BadHL-0406');
  await sees(page, 'not repairable, closed');
  assert.match(page.url(), /folder\.html\?order=\d+#HL-0406$/);
});

pageCheck('ledger by touch: stages, outcomes, returns and days lead to their units', 'ledger.html', async (page) => {
  await sees(page, 'From intake to close');
  const ledger = await week.get('ledger');
  const stage = ledger.stages.find((each) => each.stage === 'after rework');
  await page.getByRole('link', { name: `${stage.failed.count} failed, after rework` }).tap();
  await sees(page, `${stage.failed.count} work order: failed, after rework`);
  assert.deepEqual(await page.locator('.folder-link b').allInnerTexts(), ['HL-0406']);
  await page.getByRole('link', { name: 'Back to the ledger' }).tap();
  const repaired = ledger.outcomes.find((each) => each.outcome === 'repaired');
  await page.getByRole('link', { name: `${repaired.count} orders, repaired` }).tap();
  await until(async () => await page.locator('.folder-link').count() === repaired.count, 'each of them');
  await page.getByRole('link', { name: 'Back to the ledger' }).tap();
  await page.getByRole('link', { name: /1 came back/ }).tap();
  await sees(page, '1 work order: came back within warranty');
  await page.locator('.folder-link').tap();
  await sees(page, 'against its own signature when it left');
}, PORTRAIT, { hasTouch: true });

await finish(async () => {
  await closeBrowser();
  await week.stop();
});
