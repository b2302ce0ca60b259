/* person: a browser as a person has it, in a size, a theme and a language; and what is looked at on every page. */
import { chromium } from 'playwright-core';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';

const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const sizes = { phone: { width: 390, height: 844 }, desk: { width: 1280, height: 900 } };
export const faults = [];
export const check = (yes, what) => {
  if (!yes) faults.push(what);
  console.log((yes ? 'ok    ' : 'FAULT ') + what);
};

export async function start(executablePath, base, out) {
  const browser = await chromium.launch({ executablePath, args: ['--no-sandbox', '--disable-gpu'] });
  async function open(size, theme, language, address = '', wanted = 'main h1') {
    const context = await browser.newContext({ viewport: sizes[size], colorScheme: theme, locale: language === 'es' ? 'es-US' : 'en-US', reducedMotion: 'reduce', bypassCSP: false, hasTouch: size === 'phone', ignoreHTTPSErrors: true });
    const page = await context.newPage();
    page.setDefaultTimeout(30000);
    page.on('pageerror', (e) => faults.push(`${address}: ${e.message}`));
    page.on('console', (m) => {
      if (m.type() === 'error' && !/ERR_|Failed to load resource/.test(m.text())) faults.push(`${address}: ${m.text()}`);
    });
    await page.goto(base + '/#/' + address);
    await page.waitForSelector(wanted);
    return page;
  }
  /* the strict content policy keeps scripts of others out, so axe is evaluated by the debugger */
  async function accessible(page, what) {
    await page.evaluate(axe);
    const r = await page.evaluate(() => globalThis.axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] }));
    for (const v of r.violations) console.log('   ', v.id, v.nodes.length, v.nodes[0].target.join(' '), v.nodes[0].failureSummary.replace(/\s+/g, ' ').slice(0, 200));
    check(r.violations.length === 0, `axe finds nothing: ${what}`);
  }
  async function noSideways(page, what) {
    const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    check(over <= 0, `nothing hangs over the edge: ${what} (${over})`);
  }
  const shot = (page, name) => page.screenshot({ path: `${out}/${name}.png`, fullPage: true });
  async function end() {
    await browser.close();
    console.log(`${faults.length} faults`);
    for (const f of faults) console.log(f);
    process.exit(faults.length ? 1 : 0);
  }
  return { browser, open, accessible, noSideways, shot, end };
}
