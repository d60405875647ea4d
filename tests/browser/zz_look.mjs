import { chromium } from 'playwright-core';
const [port, out, ...only] = process.argv.slice(2);
const browser = await chromium.launch({ executablePath: '/usr/bin/chromium', args: ['--no-sandbox'] });
const pages = { bench: '/#left', benchright: '/#right', folders: '/folder.html', f4107: '/folder.html#HL-4107', f3318: '/folder.html#HL-3318', f5203: '/folder.html#HL-5203', f2512: '/folder.html#HL-2512', f2077: '/folder.html#HL-2077', record: '/record.html#12', references: '/references.html', check: '/check.html#rear', checkleft: '/check.html#left', ledger: '/ledger.html', f3325: '/folder.html#HL-3325' };
for (const [w, h] of [[1280, 800], [800, 1280]]) {
  const page = await browser.newPage({ viewport: { width: w, height: h } });
  page.on('pageerror', (e) => console.log('PAGEERROR', e.message));
  page.on('console', (m) => { if (m.type() === 'error') console.log('console', m.text()); });
  for (const [name, path] of Object.entries(pages)) {
    if (only.length && !only.includes(name)) continue;
    await page.goto('about:blank');
    await page.goto(`http://127.0.0.1:${port}${path}`);
    await page.waitForTimeout(2500);
    await page.screenshot({ path: `${out}/${name}-${w}.png` });
    if (!name.startsWith('bench')) await page.screenshot({ path: `${out}/${name}-${w}-full.png`, fullPage: true });
    console.log(name, w, await page.evaluate(() => [document.documentElement.scrollWidth, document.documentElement.scrollHeight, document.title]));
  }
}
await browser.close();
