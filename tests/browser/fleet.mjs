/* The manager's page as people meet it: fleet.mjs URL BROWSER OUT CODE. Run by fleet.sh. */
import { start, check } from './person.mjs';

const [, , base, executablePath, out, first] = process.argv;
const { open, accessible, noEnglish, noSideways, shot, end } = await start(executablePath, base, out);
const PASSWORD = 'correct horse battery';
const WROTE = ['Ada Lind', 'Mo Diaz', 'Rosa Vega, Vega Electric', 'Kim Ito', 'Look at the breaker', 'Mill House'];

async function comeIn(page, fields) {
  await page.click('[data-way=code]');
  for (const [name, value] of Object.entries(fields)) await page.fill(`input[name=${name}]`, value);
  await page.click('button[type=submit]');
  await page.waitForSelector('nav a');
}
/* what the page itself may ask, asked by it: with its cookie and its token */
const post = (page, path, body) => page.evaluate(async ([path, body]) => {
  const { token } = await (await fetch('/api/v1/session')).json();
  const r = await fetch('/api/v1' + path, { method: 'POST', headers: { 'Content-Type': 'application/json', 'X-Foretrip-Token': token }, body: JSON.stringify(body) });
  return { status: r.status, ...(await r.json()) };
}, [path, body]);
const go = async (page, address, wanted) => {
  await page.goto(base + '/#/' + address);
  await page.waitForSelector(wanted);
};
/* the content policy keeps waitForFunction out */
async function until(page, test, what) {
  for (const end = Date.now() + 30000; Date.now() < end; await page.waitForTimeout(100)) if (await page.evaluate(test)) return;
  throw new Error('waited in vain: ' + what);
}
const phone = (page) => page.setViewportSize({ width: 360, height: 780 });

/* ---- a stranger sees the way in, and nothing else */
const ada = await open('desk', 'light', 'en', 'today', '.login h1');
check((await ada.locator('nav a, .need').count()) === 0 && (await ada.locator('[data-way=visit]').count()) === 0, 'before a login there is nothing to see');
await accessible(ada, 'login');
await comeIn(ada, { person: 'ada', code: first, password: PASSWORD });
await go(ada, 'people', 'tr:has-text("Mo Diaz") button');
async function codeFor(name) {
  await ada.click(`tr:has-text("${name}") button:has-text("One-time code")`);
  return ada.textContent(`tr:has-text("${name}") .code-said`);
}
const moCode = await codeFor('Mo Diaz'), rosaCode = await codeFor('Rosa Vega');
check((await ada.locator('h2:has-text("Visit")').count()) === 0, 'a centre has no visits');
await accessible(ada, 'people');
await shot(ada, 'fleet-people-desk-light');

/* ---- who needs somebody */
const mo = await open('desk', 'light', 'en', '', '.login h1');
await comeIn(mo, { person: 'mo', code: moCode, password: PASSWORD });
await mo.waitForSelector('.need');
const reasons = await mo.locator('section.needs').evaluateAll((list) => list.map((x) => x.dataset.reason));
const ORDER = ['urgent', 'open', 'high', 'worn_breaker', 'essential_load_silent', 'supply_outage', 'quiet', 'warning'];
check(reasons.length >= 3 && reasons[0] === 'urgent' && reasons.every((r, i) => !i || ORDER.indexOf(r) > ORDER.indexOf(reasons[i - 1])), `the most pressing comes first: ${reasons}`);
check(/\d+ units? needs? somebody now/.test(await mo.textContent('h1.now')) && /50 units, 49 connected/.test(await mo.textContent('.now-box')), 'it is said in a sentence');
check(/licensed electrician/.test(await mo.textContent('.cautions')) && /no protective device/.test(await mo.textContent('.cautions')), 'the cautions stand under it');
check((await mo.locator('nav a').allTextContents()).join() === 'Today,Units,Trips in time,Work orders,Yourself', 'a manager has their pages, and not people');
await accessible(mo, 'today, desk, light');
await shot(mo, 'fleet-today-desk-light');
await mo.emulateMedia({ media: 'print' });
check(!(await mo.isVisible('nav')) && (await mo.isVisible('.need')), 'on paper is the list, without what is pressed');
await shot(mo, 'fleet-today-paper');
await mo.emulateMedia({ media: 'screen' });

/* ---- units by building, and found */
const units = (await mo.locator('.need h3 a').evaluateAll((list) => list.map((a) => a.getAttribute('href').split('/').pop())));
const unit = units[1];
check((await post(mo, `/units/${unit}/place`, { name: '=1+1', building: 'Mill House', place: '3B' })).status === 200, 'where a unit lies is written down');
await go(mo, 'units', 'summary:has-text("Mill House")');
await mo.click('summary:has-text("Mill House")');
await mo.waitForSelector('details[open] th:has-text("3B")');
await accessible(mo, 'units, a building open');
await shot(mo, 'fleet-units-desk-light');
await mo.fill('#find', 'mill h');
await mo.waitForSelector('main > div th:has-text("3B")');
check((await mo.locator('main > div:not([hidden]) tbody tr').count()) === 1, 'a unit is found by a word');
await mo.fill('#find', 'nothing is called so');
await mo.waitForSelector('p:has-text("No unit is called so.")');
const table = await mo.evaluate(() => fetch('/api/v1/units.csv').then((r) => r.text()));
check(table.includes('"\'=1+1"') && table.split('\r\n').length === 52, 'units as a table, and a name that would be a formula is none');

/* ---- trips in time */
await go(mo, 'openings', 'svg.counts rect');
await mo.click('button:has-text("52 weeks")');
await until(mo, () => document.querySelectorAll('tbody tr').length > 20, 'trips of a year');
await accessible(mo, 'trips in time');
await mo.selectOption('#building', 'Mill House');
await until(mo, () => Boolean(document.querySelector('.list tbody th')) && [...document.querySelectorAll('.list tbody th')].every((x) => x.textContent.includes('Mill House')), 'trips of one building');
check(true, 'trips of one building');
await shot(mo, 'fleet-trips-desk-light');

/* ---- a unit, and what its gateway says */
await go(mo, 'unit/' + unit, '.alarm');
check((await mo.locator('svg.counts rect').count()) > 3, 'a unit has its trips in time');
check(/not shown/.test(await mo.textContent('main')), 'what is on is not shown, and it is said why');
await mo.click('button:has-text("Ask the gateway now")');
await mo.waitForSelector('article.sheet tbody tr');
check((await mo.locator('article.sheet th[scope=col]').allTextContents()).join() === 'Breaker,Stands,Rating,Heat' && /left out/.test(await mo.textContent('article.sheet')), 'the sheet comes from the gateway, without what is on');
check((await mo.locator('article.sheet .cautions').count()) === 1, 'a sheet carries the cautions');
await accessible(mo, 'unit with its sheet');
await shot(mo, 'fleet-unit-desk-light');

/* an outage there has opened no breaker but the one that was open before */
await mo.route(/\/units\/[^/]+\/sheet$/, async (route) => {
  const answer = await route.fetch(), d = await answer.json(), at = new Date().toISOString();
  for (const c of d.sheet.circuits) c.state = 'open';
  d.sheet.trips = d.sheet.circuits.map((c, i) => ({ circuit: c.circuit, opened_at: at, restored_at: null, cause: i ? 'supply_outage' : 'overload', upstream: i ? 'utility' : null }));
  await route.fulfill({ response: answer, json: d });
});
await mo.click('button:has-text("Ask the gateway now")');
await mo.waitForSelector('article.sheet td:has-text("NO SUPPLY")');
check((await mo.locator('article.sheet td:text-is("OPEN")').count()) === 1 && (await mo.locator('article.sheet li:has-text("still open")').count()) === 1, 'an outage is told as no supply, and not as so many open breakers');
await mo.unroute(/\/units\/[^/]+\/sheet$/);
await mo.click('button:has-text("Ask the gateway now")');
await until(mo, () => !/NO SUPPLY/.test(document.querySelector('article.sheet')?.textContent ?? 'NO SUPPLY'), 'the sheet as it is');
await mo.click('.list tbody a[href*="/trip/"] >> nth=0');
await mo.waitForSelector('.do-now, article.sheet h1');
await mo.click('button:has-text("Fetch the whole service sheet")');
await until(mo, () => /^Breaker /.test(document.querySelector('article.sheet h1')?.textContent ?? ''), 'the service sheet');
check((await mo.locator('article.sheet').count()) === 1 && /Not shown/.test(await mo.textContent('article.sheet')), 'the whole service sheet takes the place of the short one');
await accessible(mo, 'service sheet');
await shot(mo, 'fleet-trip-desk-light');
await go(mo, 'unit/unit-00049', 'button:has-text("Ask the gateway now")');
await mo.click('button:has-text("Ask the gateway now")');
await mo.waitForSelector('.answer:has-text("The gateway is not connected")');
check(/Not connected; last heard/.test(await mo.textContent('main')), 'a gateway that is silent is said, and since when');
await shot(mo, 'fleet-silent-desk-light');

/* ---- a tenant's consent, written down and taken back */
await go(mo, 'unit/' + unit, '.alarm');
await mo.click('summary:has-text("Write a consent down")');
const form = mo.locator('details[open] form');
await form.locator('input').nth(0).fill('Kim Ito');
await form.locator('input').nth(1).fill('letter of 3 May');
await form.locator('button').click();
await mo.waitForSelector('p:has-text("The tenant has consented")');
await mo.click('button:has-text("Ask the gateway now")');
await until(mo, () => /Now/.test(document.querySelector('article.sheet thead')?.textContent ?? ''), 'a sheet with what is on');
check((await mo.locator('article.sheet td[data-label=Now]').allTextContents()).filter((x) => /\d\sA/.test(x)).length > 5, 'with the consent the sheet has what is on');
await shot(mo, 'fleet-consent-desk-light');
await mo.click('button:has-text("The tenant takes it back")');
await mo.waitForSelector('p:has-text("has not consented")');
check(/Kim Ito.*taken back/.test(await mo.textContent('main')), 'it stays on record that it was given and taken back');

/* ---- a work order */
await go(mo, 'unit/' + unit, '.alarm a:has-text("Make a work order")');
await mo.click('.alarm a:has-text("Make a work order")');
await mo.waitForSelector('form textarea');
await mo.locator('form input').first().fill('Look at the breaker');
await mo.fill('textarea', 'The key is with the neighbour.');
await accessible(mo, 'a new work order');
await mo.click('button:has-text("Make it")');
await mo.waitForSelector('h1:has-text("Look at the breaker")');
const number = new URL(mo.url()).hash.split('/').pop();
await mo.click('button:has-text("Fetch it from the gateway")');
await mo.waitForSelector('article.sheet tbody tr');
await mo.click('summary:has-text("Assign to a contractor")');
await mo.click('details[open] button');
await mo.waitForSelector('li:has-text("assigned to Rosa Vega")');
check(/assigned/.test(await mo.textContent('.plate')), 'it is assigned');
await accessible(mo, 'work order');
await shot(mo, 'fleet-order-desk-light');
await go(mo, 'today', '.need');
await mo.waitForSelector(`.need:has(a[href="#/unit/${unit}"]) .chip[data-state=assigned]`);
check(true, 'who needs somebody has somebody: it is said in the list');

/* ---- the contractor, on a phone */
const rosa = await open('phone', 'dark', 'es', '', '.login h1');
await phone(rosa);
await comeIn(rosa, { person: 'rosa', code: rosaCode, password: PASSWORD });
await rosa.waitForSelector('h1:has-text("Sus trabajos")');
check((await rosa.locator('nav a').count()) === 2 && (await rosa.locator('tbody tr').count()) === 1, 'a contractor sees their job, and nothing else');
await accessible(rosa, 'jobs, phone, dark, es');
await noSideways(rosa, 'jobs, 360');
await shot(rosa, 'fleet-jobs-phone-dark-es');
await rosa.click('tbody a[href^="#/unit/"]');
await rosa.waitForSelector('.alarm');
await rosa.click('button:has-text("Preguntar ahora")');
await rosa.waitForSelector('article.sheet tbody tr');
check(/Ahora/.test(await rosa.textContent('article.sheet thead')), 'with what is on, because they look for a cause');
await noSideways(rosa, 'a unit, 360');
await accessible(rosa, 'unit, phone, dark, es');
await shot(rosa, 'fleet-unit-phone-dark-es');
await go(rosa, 'unit/' + units.find((u) => u !== unit), 'h1:has-text("Ahora no tiene aquí")');
check((await rosa.locator('.alarm, tbody tr').count()) === 0, 'another unit is closed to them');
await go(rosa, 'today', 'h1:has-text("Sus trabajos")');
check(true, 'and so is the portfolio');

/* ---- the job's time ends while they look */
await go(rosa, 'unit/' + unit, '.alarm');
check((await post(mo, `/orders/${number}/assign`, { contractor: 'rosa', until: new Date(Date.now() + 4000).toISOString() })).status === 200, 'the job is to last four seconds more');
await rosa.waitForSelector('h1:has-text("Ahora no tiene aquí")', { timeout: 40000 });
check((await rosa.locator('.alarm, tbody tr, article.sheet').count()) === 0, 'when its time is over the unit goes from the screen');
await shot(rosa, 'fleet-over-phone-dark-es');
check((await post(rosa, `/orders/${number}/done`, { note: 'x' })).status === 403, 'and nothing can be written any more');

/* ---- once more, and done */
await post(mo, `/orders/${number}/assign`, { contractor: 'rosa', until: new Date(Date.now() + 3600000).toISOString() });
await go(rosa, 'order/' + number, 'summary:has-text("Está hecha")');
await rosa.click('summary:has-text("Está hecha")');
await rosa.fill('#note-done', 'Look at the breaker');
await accessible(rosa, 'work order, phone, dark, es');
await noEnglish(rosa, 'work order, phone, es', [...WROTE, 'The key is with the neighbour.']);
await noSideways(rosa, 'work order, 360');
await shot(rosa, 'fleet-order-phone-dark-es');
await rosa.click('details[open] button');
await rosa.waitForSelector('h1:has-text("Ahora no es un trabajo suyo")', { timeout: 30000 });
check(true, 'a job that is done is not theirs any more');
await go(mo, 'order/' + number, 'li:has-text("done"):has-text("Rosa Vega")');
check(/done/.test(await mo.textContent('.plate')), 'the manager sees that it is done, and by whom');
await go(mo, 'orders', '.good:has-text("No work order stands")');
await mo.check('#all');
await mo.waitForSelector('tbody tr:has-text("Look at the breaker")');
await accessible(mo, 'work orders, all');

/* ---- in Spanish, on a phone, in the dark */
await mo.evaluate(() => localStorage.setItem('language', 'es'));
await phone(mo);
await mo.emulateMedia({ colorScheme: 'dark' });
for (const [address, wanted] of [['today', '.need'], ['units', 'details.building'], ['openings', 'svg.counts'], ['unit/' + unit, '.alarm'], ['orders', 'h1'], ['order/' + number, '.happened li']]) {
  await mo.goto('about:blank');
  await go(mo, address, wanted);
  if (address === 'units') {
    await mo.click('summary:has-text("Mill House")');
    await mo.waitForSelector('details[open] tbody tr');
  }
  await noSideways(mo, address + ', 360');
  await noEnglish(mo, address + ', es', [...WROTE, 'The key is with the neighbour.', 'letter of 3 May']);
  await accessible(mo, address + ', phone, dark, es');
  await shot(mo, `fleet-${address.split('/')[0]}-phone-dark-es`);
}
await ada.goto(base + '/#/people');
await ada.reload();
await ada.waitForSelector('tr:has-text("finished work order")');
check(true, 'the log says who did what');
await end();
