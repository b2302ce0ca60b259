/* person: a browser as a person has it, in a size, a theme and a language; and what is looked at on every page. */
import { chromium } from 'playwright-core';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';

const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const sizes = { phone: { width: 390, height: 844 }, desk: { width: 1280, height: 900 } };
/* Words that English has and Spanish has not: whoever finds one on the Spanish page has found English. */
const ENGLISH = /(?<![\p{L}\p{N}])(the|is|are|was|were|of|and|or|not|with|has|have|had|for|from|this|that|it|its|by|on|off|at|in|to|an|open|opened|opens|closed|breaker|load|loads|heat|leg|legs|panel|reading|readings|since|until|after|before|than|over|under|done|refused|page|alarm|trip|trips|unknown|first|current|now|within|room|limit|supply)(?![\p{L}\p{N}])/u;
const { en, es } = await import('data:text/javascript,' + encodeURIComponent(readFileSync(new URL('words.js', import.meta.url), 'utf8')));
const sentences = new Set(Object.keys(en).filter((k) => !Object.values(es).includes(en[k])).map((k) => en[k]));
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
  /* what is seen or read aloud, without what people themselves wrote (names, notes) */
  async function noEnglish(page, what, wrote = []) {
    const said = await page.evaluate(() => {
      const list = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_ELEMENT | NodeFilter.SHOW_TEXT);
      for (let n; (n = walk.nextNode());) {
        const el = n.nodeType === 1 ? n : n.parentElement;
        if (el.closest('noscript, [hidden], option[lang]')) continue;
        if (n.nodeType === 3) list.push(n.data);
        else for (const a of ['aria-label', 'placeholder', 'title', 'alt']) if (n.getAttribute(a)) list.push(n.getAttribute(a));
      }
      return list.map((x) => x.trim()).filter(Boolean);
    });
    const site = await page.evaluate(() => fetch('/api/v1/site').then((r) => r.json()).catch(() => ({})));
    const names = [site.name, ...(site.panels ?? []).map((p) => p.name), ...(site.circuits ?? []).map((c) => c.name), ...wrote].filter(Boolean).sort((a, b) => b.length - a.length);
    const left = said.map((x) => names.reduce((y, n) => y.replaceAll(n, '·'), x)).filter((x) => ENGLISH.test(x) || sentences.has(x));
    for (const x of new Set(left)) console.log('    English: ' + x);
    check(said.length > 20 && left.length === 0, `no English is left (${said.length} texts): ${what}`);
  }
  async function noSideways(page, what) {
    const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    check(over <= 0, `nothing hangs over the edge: ${what} (${over})`);
  }
  const shot = (page, name) => page.screenshot({ path: `${out}/${name}.png`, fullPage: true });
  /* a page asks again whenever something happens: an answer that is on its way when its page is left answers nobody */
  async function leave(page) {
    await page.unrouteAll({ behavior: 'ignoreErrors' });
    await page.context().close();
  }
  async function end() {
    for (const context of browser.contexts()) await Promise.all(context.pages().map((page) => page.unrouteAll({ behavior: 'ignoreErrors' })));
    await browser.close();
    console.log(`${faults.length} faults`);
    for (const f of faults) console.log(f);
    process.exit(faults.length ? 1 : 0);
  }
  return { browser, open, leave, accessible, noEnglish, noSideways, shot, end };
}
