/* How long until the first view is there: view.mjs URL BROWSER. A new context each time, so nothing is cached. */
import { chromium } from 'playwright-core';

const [, , base, executablePath] = process.argv;
const browser = await chromium.launch({ executablePath, args: ['--no-sandbox', '--disable-gpu'] });
const runs = [];
for (let i = 0; i < 15; i++) {
  const context = await browser.newContext({ viewport: { width: 390, height: 844 } });
  const page = await context.newPage();
  await page.goto(base + '/');
  await page.waitForSelector('.slot');
  runs.push(await page.evaluate(() => {
    const nav = performance.getEntriesByType('navigation')[0], all = performance.getEntriesByType('resource');
    const last = (part) => Math.max(0, ...all.filter((r) => r.name.includes(part)).map((r) => r.responseEnd));
    return { html: nav.responseEnd, modules: last('.js'), api: last('/api/'), view: performance.getEntriesByName('first-view')[0].startTime, slots: document.querySelectorAll('.slot').length };
  }));
  await context.close();
}
await browser.close();
const median = (name) => runs.map((r) => r[name]).sort((a, b) => a - b)[runs.length >> 1].toFixed(0);
console.log(`first view, ${runs[0].slots} breakers, ${runs.length} times, medians from the navigation on: page ${median('html')} ms, its modules ${median('modules')} ms, its answers ${median('api')} ms, drawn ${median('view')} ms; longest ${Math.max(...runs.map((r) => r.view)).toFixed(0)} ms`);
