/* Load studies and advice as a person meets them: study.mjs URL BROWSER OUT. Run by study.sh. */
import { writeFileSync } from 'node:fs';
import { start, check } from './person.mjs';

const [, , base, executablePath, out] = process.argv;
const { open, accessible, noEnglish, noSideways, shot, end } = await start(executablePath, base, out);
const WROTE = ['Range', 'Water heater', 'Dishwasher', 'Dryer', 'Room heaters', 'Cooling', 'Car'];
const api = (path) => fetch(base + '/api/v1' + path).then((r) => r.json());
const pagesOf = (pdf) => (pdf.toString('latin1').match(/\/Type\s*\/Page\b(?!s)/g) || []).length;

async function printed(page, name, wanted) {
  for (const format of ['A4', 'Letter']) {
    const pdf = await page.pdf({ format, printBackground: true, preferCSSPageSize: false });
    writeFileSync(`${out}/${name}-${format}.pdf`, pdf);
    check(pagesOf(pdf) === wanted, `${name} prints on ${wanted} page(s) of ${format}: ${pagesOf(pdf)}`);
  }
}

/* every number of every sheet against the interface for programs */
async function sameNumbers(page, d) {
  const sheets = await page.locator('.study-sheet').all();
  check(sheets.length === d.sheets.length, `${d.sheets.length} sheets`);
  let compared = 0, wrong = [];
  for (const [i, sheet] of d.sheets.entries()) {
    const rows = await sheets[i].locator('table:first-of-type tbody tr').allTextContents();
    const steps = sheet.steps.filter((x) => x.unit !== 'condition');
    if (rows.length !== steps.length) wrong.push(`sheet ${i} has ${rows.length} rows of ${steps.length}`);
    for (const [k, x] of steps.entries()) {
      const digits = x.unit === 'VA' ? 0 : 2;
      const said = x.value === null ? 'not known' : x.value.toLocaleString('en-US', { minimumFractionDigits: digits, maximumFractionDigits: digits });
      compared++;
      if (!rows[k].includes(said)) wrong.push(`sheet ${i}: ${rows[k]} has no ${said}`);
    }
  }
  check(compared > 5 && wrong.length === 0, `${compared} numbers are those of the API ${wrong.slice(0, 3).join('; ')}`);
}

/* ---- every panel and dwelling */
const page = await open('desk', 'light', 'en', 'study');
await page.waitForSelector('.study-sheet .verdict');
await sameNumbers(page, await api('/study'));
const text = await page.textContent('main');
check(/NEC 120\.87/.test(text) && /edition 2026/.test(text), 'the edition and its numbers are named');
check(/Published pages disagree/.test(text), 'what is open about the edition is said');
check(/24,360\s*VA/.test(text), '120.82 of the dwelling: Annex D2(a) and a car of 7200 VA at 40 %');
check((text.match(/licensed electrician/g) || []).length >= 3, 'every sheet says for whom it is');
await shot(page, 'study-desk-light');
await accessible(page, 'study, desk, light');
await printed(page, 'study', 3);

/* ---- may it be added? */
await page.selectOption('select[name=where]', 'circuit=main-09');
await page.fill('input[name=amps]', '9.5');
await page.check('input[name=continuous]');
await page.click('button:has-text("May it be added?")');
await page.waitForSelector('.study-sheet[data-kind=branch] .verdict');
await sameNumbers(page, await api('/study?circuit=main-09&amps=9.5&continuous=true'));
check(/fits/.test(await page.textContent('.study-sheet[data-kind=branch] .verdict')), 'it says whether it fits');
check(/210\.20\(A\)/.test(await page.textContent('.study-sheet')), 'and by which section');
await printed(page, 'addition', 2);
await page.fill('input[name=amps]', '40');
await page.click('button:has-text("May it be added?")');
await page.waitForSelector('.verdict[data-verdict=does_not_fit]');
check(true, '40 A do not fit on 15');

/* ---- advice */
await page.goto(base + '/#/advice');
await page.waitForSelector('.advice');
const d = await api('/advice');
const said = await page.textContent('.advice[data-kind=move]');
check(d.advice.length === 1 && said.includes(d.advice[0].load.usual_amps.toFixed(1)) && /breaker 9/.test(said), 'the dryer is to be moved: ' + said);
check(said.includes(`${d.advice[0].trips.avoided} of ${d.advice[0].trips.before} trips`), 'with the trips it would have avoided');
check(/licensed electrician/.test(await page.textContent('.sheet')), 'and the cautions');
await shot(page, 'advice-desk-light');
await accessible(page, 'advice, desk, light');
await printed(page, 'advice', 1);
await page.click('.advice summary');
await page.click('.advice details a');
await page.waitForSelector('.sheet .evidence');
check(true, 'a trip it names leads to its service sheet');

/* ---- from a circuit's page, on a phone, in Spanish, in the dark */
const phone = await open('phone', 'dark', 'es', 'circuit/main-09');
await phone.click('a:has-text("¿Se puede añadir una carga aquí?")');
await phone.waitForSelector('.study-sheet[data-kind=branch] .verdict');
for (const view of ['study', 'advice']) {
  const p = await open('phone', 'dark', 'es', view);
  await p.waitForSelector(view === 'study' ? '.study-sheet .verdict' : '.advice');
  await noEnglish(p, `${view}, phone`, WROTE);
  await noSideways(p, `${view}, phone`);
  await accessible(p, `${view}, phone, dark`);
  await shot(p, `${view}-phone-dark-es`);
}
await end();
