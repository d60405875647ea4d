// SPDX-License-Identifier: GPL-3.0-or-later
//
// The browser of the tests: Debian's Chromium, nothing downloaded.

import { chromium } from 'playwright-core';

const PATH = process.env.CHROMIUM ?? '/usr/bin/chromium';

let browser = null;

// One for all the checks of a program.
export async function theBrowser() {
  browser ??= await chromium.launch({
    executablePath: PATH,
    args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run',
      '--disable-background-networking', '--disable-component-update', '--disable-sync'],
  });
  return browser;
}

export async function closeBrowser() {
  await browser?.close();
  browser = null;
}

export const LANDSCAPE = { width: 1280, height: 800 };
export const PORTRAIT = { width: 800, height: 1280 };

// A page that fails the test on any error of its own, any refusal by the
// content policy, and any request that leaves the bench. What went wrong is in
// page.complaints.
export async function openPage(browser, url, size = LANDSCAPE, options = {}, bench = url) {
  const context = await browser.newContext({ viewport: size, ...options });
  const page = await context.newPage();
  page.complaints = [];
  page.on('pageerror', (error) => page.complaints.push(`error: ${error.message}`));
  page.on('console', (message) => {
    // A connection that is refused while the bench is away is expected of it.
    if (message.type() === 'error' && !/ERR_|Failed to load resource/.test(message.text())) {
      page.complaints.push(`console: ${message.text()}`);
    }
  });
  page.on('request', (request) => {
    if (!request.url().startsWith(bench)) page.complaints.push(`leaves the bench: ${request.url()}`);
  });
  await page.goto(url);
  return page;
}
