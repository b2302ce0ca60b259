/* Tracing and the panel's card as people meet them: directory.mjs URL BROWSER OUT BEGIN LARGE_URL. Run by directory.sh. */
import { writeFileSync } from 'node:fs';
import { start, check } from './person.mjs';

const [, , base, executablePath, out, begin, large] = process.argv;
const { open, accessible, noEnglish, noSideways, shot, end } = await start(executablePath, base, out);
const PLACE = 'Hall, by the stairs';

/* ---- a place is traced, on a phone, in Spanish */
const phone = await open('phone', 'light', 'es', 'trace');
await phone.waitForSelector('form.entry');
await noEnglish(phone, 'tracing, before');
await accessible(phone, 'tracing, before');
await noSideways(phone, 'tracing, before');
await shot(phone, 'trace-start-phone');
/* the plan is asked for at the moment at which the house's hand begins */
await phone.route(/\/api\/v1\/trace$/, (r) => r.continue({ url: r.request().url() + '?begins=' + begin }));
await phone.fill('form.entry input >> nth=0', PLACE);
await phone.fill('input[type=number]', '240');
await phone.click('button.main');
await phone.waitForSelector('.beat-what:text("ENCIENDA")', { timeout: 120000 });
await shot(phone, 'trace-on-phone');
await accessible(phone, 'tracing, switching');
await phone.waitForSelector('.beat-what:text("APAGUE")');
check((await phone.locator('.beat-dots .done').count()) === 2, 'two of eight beats are over');
await phone.unroute(/\/api\/v1\/trace$/);
await phone.reload(); /* a phone that was laid aside goes on where it was */
await phone.waitForSelector('.beat-what');
check((await phone.locator('.beat-dots .done').count()) >= 2, 'a page loaded anew goes on with the beat');
await phone.waitForSelector('.outcome', { timeout: 120000 });
const said = await phone.textContent('.outcome .now');
check(/Está en 9 /.test(said) && /2[.,]0/.test(said), 'the circuit and its amps are told: ' + said);
await noEnglish(phone, 'tracing, outcome', [PLACE]);
await accessible(phone, 'tracing, outcome');
await noSideways(phone, 'tracing, outcome');
await shot(phone, 'trace-outcome-phone');
await phone.click('.outcome button.main');
await phone.waitForSelector('.happened:has-text("' + PLACE + '")');
check(true, 'it was kept');

/* ---- the directory: the place, what does not agree, a change and its history */
const page = await open('desk', 'light', 'en', 'directory', '.door-card');
const cell = page.locator('.card-cell[data-position="9"]').first();
check((await cell.textContent()).includes(PLACE), 'the card has the traced place: ' + (await cell.textContent()));
const api = await page.evaluate(() => fetch('/api/v1/directory').then((r) => r.json()));
check((await page.locator('.card-cell').count()) === api.panels.reduce((n, p) => n + p.lines.length, 0), 'every line of the API is on the card');
await page.click('summary:has-text("Change what the card says")');
await page.selectOption('select[aria-label="Position"]', { label: (await page.locator('select[aria-label="Position"] option').allTextContents()).find((x) => x.startsWith('9 ')) });
await page.fill('details input[maxlength="90"]', 'Hall and stairs');
await page.fill('details input[autocomplete=name]', 'Ada');
await page.click('details button[type=submit]');
await page.waitForSelector('.card-cell:has-text("Hall and stairs")');
await page.waitForSelector('tr:has-text("Ada"):has-text("Hall and stairs")');
check(true, 'a change is on the card and in the history, with who made it');
await accessible(page, 'the directory, desk');
await shot(page, 'directory-desk');
const es = await open('phone', 'dark', 'es', 'directory', '.door-card');
await noEnglish(es, 'the directory', ['Ada', 'Hall and stairs', PLACE, ...api.panels.flatMap((p) => p.lines.map((l) => l.purpose))]);
await noSideways(es, 'the directory, phone');
await accessible(es, 'the directory, phone, dark');
await shot(es, 'directory-phone-dark');

/* ---- 42 positions, on one page */
await page.goto(large + '/#/directory');
await page.waitForSelector('.card-cell[data-position="42"]');
const lines = await page.evaluate(() => fetch('/api/v1/directory').then((r) => r.json()).then((d) => d.panels[0].lines));
check(lines.length === 42 && lines.every((l) => l.places.length === 2), 'the panel has 42 positions with two places each');
for (const format of ['Letter', 'A4']) {
  const pdf = await page.pdf({ format, printBackground: true });
  writeFileSync(`${out}/card-42-${format}.pdf`, pdf);
  const pages = (pdf.toString('latin1').match(/\/Type\s*\/Page\b/g) || []).length;
  check(pages === 1, `the card of 42 positions fits one page of ${format} (${pages})`);
}
await page.emulateMedia({ media: 'print' });
const printed = await page.locator('.card-cell').evaluateAll((list) => list.map((c) => [c.dataset.position, c.querySelector('.card-amps').textContent.replace(/\D/g, ''), c.querySelector('.card-words b').textContent]));
const wanted = new Map(lines.map((l) => [l.position, l]));
check(printed.length === 42 && printed.every(([n, a, words]) => Number(a) === wanted.get(n).rating_amps && words === wanted.get(n).purpose), 'what is printed is what the API says');
await end();
