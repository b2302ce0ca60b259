/* The page as a person meets it: page.mjs URL BROWSER OUT GATEWAY_PID. Run by page.sh. */
import { writeFileSync } from 'node:fs';
import { start, check } from './person.mjs';

const [, , base, executablePath, out, gatewayPid] = process.argv;
const { open, leave, accessible, noEnglish, noSideways, shot, end } = await start(executablePath, base, out);

/* what a chart has asked for, newest last */
function historyAsked(p) {
  const asked = [];
  p.on('request', (r) => {
    const q = r.url().includes('/history') && new URL(r.url()).searchParams;
    if (q) asked.push({ from: Number(q.get('from')), wide: Number(q.get('to')) - Number(q.get('from')) });
  });
  return asked;
}
async function eventually(is, what) {
  for (let i = 0; i < 300 && !is(); i++) await new Promise((then) => setTimeout(then, 100));
  check(is(), what);
}

/* ---- the panel, the warning */
const page = await open('desk', 'light', 'en');
await page.waitForSelector('.slot');
check((await page.locator('.slot').count()) === 23, 'every breaker is on its panel');
check((await page.locator('.panel.sub .slot').count()) === 5, 'the workshop hangs under the breaker that feeds it');
await page.waitForSelector('.tag:has-text("Near overload")', { timeout: 60000 });
await page.waitForSelector('.now[data-tone="high"]');
check(/Breaker 7 .*may open|room/.test(await page.textContent('.now')), 'one sentence says what matters: ' + (await page.textContent('.now')));
check(/left|room/.test(await page.textContent('.tag-big')), 'the warning says how long: ' + (await page.textContent('.tag-big')));
await shot(page, 'panel-warning-desk-light');
await accessible(page, 'panel with a warning, desk, light');

/* ---- the warning is acknowledged, with a name */
await page.goto(base + '/#/alarms');
await page.fill('input[autocomplete=name]', 'Ada');
await page.locator('.alarm:has-text("Near overload") button:has-text("Acknowledge")').focus();
await page.keyboard.press('Enter');
await page.waitForSelector('.alarm:has-text("acknowledged by Ada")');
check(true, 'an alarm is acknowledged, and the page says by whom');

/* ---- without a mouse */
await page.goto(base + '/#/panel');
await page.locator('.slot').first().focus();
await page.keyboard.press('Enter');
await page.waitForSelector('.circuit-title');
check(page.url().includes('#/circuit/main-01'), 'a breaker is opened by keyboard');
await page.goto(base + '/#/circuit/main-07');
await page.waitForSelector('.chart-box canvas, .chart-table[open]');
await page.waitForSelector('.running .run-amps');
const listed = await page.evaluate(() => {
  const amps = (el) => parseFloat(el.textContent.replace('\u2212', '-').replace(',', ''));
  const each = [...document.querySelectorAll('.running .run-amps')].map(amps);
  return { each, reading: amps(document.querySelector('.circuit-now .huge')) };
});
check(Math.abs(listed.each.reduce((a, b) => a + b, 0) - listed.reading) <= 0.05 * (listed.each.length + 2), 'the loads that are on and the rest add up to the reading: ' + JSON.stringify(listed));
const charts = await page.locator('.chart-box canvas').count();

/* ---- the chart: a year is panned */
if (charts) {
  const asked = historyAsked(page);
  await page.click('button:has-text("1 year")');
  await eventually(() => asked.at(-1)?.wide > 365 * 86400, 'a year is asked for');
  const before = asked.at(-1).from;
  const at = await page.locator('.chart-box').boundingBox();
  await page.mouse.move(at.x + 200, at.y + 80);
  await page.mouse.down();
  await page.mouse.move(at.x + 600, at.y + 80, { steps: 5 });
  await page.mouse.up();
  await eventually(() => asked.at(-1).from < before - 30 * 86400, 'dragging goes back in time');
  await page.locator('.chart-box').focus();
  await page.keyboard.press('0');
  for (let i = 0; i < 13; i++) await page.keyboard.press('+');
  await eventually(() => asked.at(-1).wide < 86400, 'keys come closer');
  await page.click('button:has-text("10 min")');
  await eventually(() => Math.abs(asked.at(-1).wide - 900) < 300, 'ten minutes are asked for');
}
/* ---- with two fingers, on a phone */
if (charts) {
  const phone = await open('phone', 'light', 'en', 'circuit/main-07', '.chart-box canvas');
  const spans = historyAsked(phone);
  await phone.click('button:has-text("6 hours")');
  await eventually(() => spans.at(-1)?.wide > 6 * 3600, 'six hours are asked for');
  const wide = spans.at(-1).wide, box = await phone.locator('.chart-box').boundingBox(), touch = await phone.context().newCDPSession(phone);
  await phone.evaluate((y) => scrollBy(0, y - 200), box.y);
  const y = (await phone.locator('.chart-box').boundingBox()).y + 80;
  const fingers = (apart) => [{ x: 200 - apart, y, id: 1 }, { x: 200 + apart, y, id: 2 }];
  await touch.send('Input.dispatchTouchEvent', { type: 'touchStart', touchPoints: fingers(30) });
  for (const apart of [50, 80, 120]) await touch.send('Input.dispatchTouchEvent', { type: 'touchMove', touchPoints: fingers(apart) });
  await touch.send('Input.dispatchTouchEvent', { type: 'touchEnd', touchPoints: [] });
  await eventually(() => spans.at(-1).wide < wide / 2, 'two fingers apart come closer');
  const before = spans.at(-1);
  const one = (x) => [{ x, y, id: 1 }];
  await touch.send('Input.dispatchTouchEvent', { type: 'touchStart', touchPoints: one(100) });
  for (const x of [150, 220, 300]) await touch.send('Input.dispatchTouchEvent', { type: 'touchMove', touchPoints: one(x) });
  await touch.send('Input.dispatchTouchEvent', { type: 'touchEnd', touchPoints: [] });
  await eventually(() => spans.at(-1).from < before.from - 0.3 * before.wide, 'one finger goes back in time');
  await leave(phone);
}
await page.waitForSelector('.marked li:has-text("Near overload")');
check(true, 'the alarms that stood are marked, and listed');
await page.waitForSelector('.use-bars');
check(/kWh/.test(await page.textContent('section:has(.use-bars)')), 'energy is told');
await page.click('.chart-table summary');
await page.waitForSelector('.chart-table td');
await page.waitForTimeout(300); /* for the picture only */
await shot(page, 'circuit-desk-light');
await accessible(page, 'circuit, desk, light');

/* ---- the trip, as it comes, and its sheet */
await page.goto(base + '/#/panel');
await page.waitForSelector('.slot[data-at="open"]', { timeout: 150000 });
await page.waitForSelector('.tag:has-text("Breaker open")');
await shot(page, 'panel-trip-desk-light');
await page.click('.tag a.do:has-text("Service sheet")');
await page.waitForSelector('.sheet .picture .trace');
check(/opened at/.test(await page.textContent('.sheet h1')), 'the sheet says what happened: ' + (await page.textContent('.sheet h1')));
check((await page.locator('.evidence tr').count()) > 2, 'the evidence is told, for and against');
check(/licensed electrician/.test(await page.textContent('.do-now')), 'the sheet carries the cautions');
await page.waitForSelector('.seconds td');
await shot(page, 'trip-desk-light');
await accessible(page, 'trip sheet, desk, light');
const address = page.url().split('#/')[1];
for (const format of ['A4', 'Letter']) {
  const pdf = await page.pdf({ format, printBackground: true, preferCSSPageSize: false });
  writeFileSync(`${out}/sheet-${format}.pdf`, pdf);
  const pages = (pdf.toString('latin1').match(/\/Type\s*\/Page\b(?!s)/g) || []).length;
  check(pages === 1, `the sheet prints on one page of ${format}: ${pages}`);
}

/* ---- a person writes a note beside it */
await page.fill('textarea', 'The heater went to another receptacle.');
await page.click('button:has-text("Keep the note")');
await page.waitForSelector('.notes li:has-text("another receptacle")');
check(/Ada/.test(await page.textContent('.notes li')), 'a note stands beside the trip, with who wrote it');
const noted = await page.pdf({ format: 'A4', printBackground: true });
check((noted.toString('latin1').match(/\/Type\s*\/Page\b(?!s)/g) || []).length === 1, 'and the sheet is one page still');

/* ---- a sheet with as much on it as there can be is one page as well, in both languages */
for (const language of ['en', 'es']) {
  const full = await open('desk', 'light', language, 'trips', 'main h1');
  await full.route(/\/api\/v1\/trips\/[^/?]+$/, async (route) => {
    const answer = await route.fetch({ maxRetries: 3 }), d = await answer.json(), x = d.trip;
    const pieces = ['openings_are_rare', 'loads_vanished', 'usual_falls', 'breaker_heat', 'switch_on_before', 'current_surge', 'after_reset', 'on_the_clock', 'off_at_night', 'fell_in_stages', 'current_left', 'stillness', 'silence', 'came_back_after', 'standing_load_gone', 'went_together', 'carried_before', 'no_such_step'];
    x.evidence = pieces.map((what, i) => ({ what, log_ratio: i % 2 ? 6 - 0.3 * i : 0.3 * i - 6, value: 0.9 }));
    x.causes = { overload: 0.3, fault: 0.2, worn_breaker: 0.1, opened_by_hand: 0.1, upstream_open: 0.1, supply_outage: 0.1, sensor_lost: 0.05, load_ended: 0.05 };
    x.loads = Array.from({ length: 16 }, (_, i) => ({ appliance: 'portable_heater', probability: 0.8, amps: 9 - 0.5 * i, since: x.opened_at, run: 'r' + i }));
    x.with = Array.from({ length: 22 }, (_, i) => (i < 16 ? 'main-' + String(i + 1).padStart(2, '0') : 'shop-' + (i - 15)));
    x.upstream = 'utility';
    x.opened_again_after_seconds = 12;
    x.before = [600, 300, 60].map((seconds_before) => ({ seconds_before, amps: 20, heat: 0.5, trip_chance: 0.4 }));
    d.events.push({ type: 'trip_corrected', by: 'Ada', cause: 'fault', time: x.opened_at });
    for (let i = 0; i < 8; i++) d.events.push({ type: 'trip_note', by: 'Ada', time: x.opened_at, note: 'The receptacle behind the cupboard was warm and its clamp was loose. '.repeat(6).trim() });
    await route.fulfill({ response: answer, json: d });
  });
  await full.goto(base + '/#/' + address);
  await full.waitForSelector('.evidence tr:nth-child(18)');
  await full.waitForSelector('.sheet .picture .trace');
  for (const format of ['A4', 'Letter']) {
    const pdf = await full.pdf({ format, printBackground: true });
    writeFileSync(`${out}/sheet-full-${language}-${format}.pdf`, pdf);
    const pages = (pdf.toString('latin1').match(/\/Type\s*\/Page\b(?!s)/g) || []).length;
    check(pages === 1, `a full sheet prints on one page of ${format}, ${language}: ${pages}`);
  }
  await leave(full);
}

/* ---- the alarm is shelved */
await page.goto(base + '/#/alarms');
await page.click('.alarm:has-text("Breaker open") button:has-text("Shelve")');
await page.fill('.shelve input', 'The electrician is on her way');
await page.click('.shelve button[type=submit]');
await page.waitForSelector('.alarm:has-text("shelved by Ada"):has-text("on her way")');
check(true, 'an alarm is shelved, with why');
check((await page.locator('.alarm:has-text("Near overload")').count()) === 0, 'the warning that came true is not asked about any more');
await page.click('.alarm:has-text("Breaker open") button:has-text("Out of service")');
await page.fill('.shelve input', 'Its meter is being replaced');
await page.click('.shelve button[type=submit]');
await page.waitForSelector('.alarm.silenced:has-text("out of service by Ada"):has-text("being replaced")');
check(true, 'an alarm is taken out of service, with why, and stands apart');
await page.evaluate(() => document.querySelectorAll('main details').forEach((d) => (d.open = true)));
check(/Carried before\d+\.\d\sA.*Heat\d+\s%/s.test(await page.textContent('.alarm:has-text("Breaker open") .figures')), 'the numbers are told: ' + (await page.textContent('.alarm:has-text("Breaker open") .figures')));
await shot(page, 'alarms-desk-light');
await accessible(page, 'alarms, desk, light');
await page.click('.alarm:has-text("Breaker open") button:has-text("Back into service")');
await page.waitForSelector('.alarm:not(.silenced):has-text("Breaker open")');
await page.click('.alarm:has-text("Breaker open") button:has-text("Shelve")');
await page.click('.shelve button[type=submit]');
await page.waitForSelector('.alarm.silenced:has-text("Breaker open") button:has-text("Take from the shelf")');
await page.click('.alarm:has-text("Breaker open") button:has-text("Take from the shelf")');
await page.waitForSelector('.alarm:not(.silenced):has-text("Breaker open")');
check(true, 'and it comes back, from either');

const WROTE = ['The heater went to another receptacle.', 'The electrician is on her way', 'Its meter is being replaced', 'Ada'];

/* ---- both sizes, both themes, both languages */
/* a house that has been watched for weeks knows what hangs on a circuit: as much as there can be, to be laid out */
const known = Array.from({ length: 6 }, (_, i) => ({ load: i + 1, name: i ? '' : 'Ada', appliance: ['central_air_conditioner', 'unknown', 'food_waste_disposer', 'portable_heater', 'kettle', 'iron'][i], probability: 0.5 + 0.07 * i, amps: 12.5 - i, seconds: 400 * (i + 1), per_day: 3.2, hours: Array.from({ length: 24 }, (_, k) => (k * (i + 1)) % 7), share: 0.1, last_seen: new Date(Date.now() - 3e8).toISOString() }));
/* a connection that was kept and is closed at that moment is opened anew, as a browser does by itself (RFC 9112 9.3.1) */
const knowing = (is) => (route) => route.fetch({ maxRetries: 3 }).then(async (r) => route.fulfill({ response: r, json: { ...(await r.json()), known_loads: known, circuit_is: is } }));
/* what a circuit is, taken whole: every answer that there is, in both languages */
const WHOLE = [
  { is: { appliance: 'washing_machine', likely: '', probability: 0.92, days: 3 }, kind: 'one', en: /it is one appliance: washing machine \(92/i, es: /es un solo aparato: lavadora \(92/i },
  { is: { appliance: 'several', likely: '', probability: 0.85, days: 3 }, kind: 'several', en: /several appliances \(85/, es: /varios aparatos \(85/ },
  { is: { appliance: 'unknown', likely: 'circulation_pump', probability: 0.4, days: 1 }, kind: 'like', en: /not known.*circulation pump \(40/i, es: /no se sabe.*bomba de circulación \(40/i },
  { is: { appliance: 'not_judged', likely: '', probability: 0, days: 0.25 }, kind: 'early', en: /so far 6 hours/, es: /hasta ahora 6 horas/ },
];
const COMBINATIONS = ['phone', 'desk'].flatMap((size) => ['light', 'dark'].flatMap((theme) => ['en', 'es'].map((language) => [size, theme, language])));
for (const [size, theme, language] of COMBINATIONS)
  for (const view of ['panel', 'circuit/main-07', address, 'trips', 'alarms', 'people']) {
    const p = await open(size, theme, language, view);
    await p.waitForSelector(view === 'panel' ? '.slot' : view.startsWith('trip/') ? '.seconds td' : view.startsWith('circuit') ? '.happened li' : 'main h1');
    const what = [view.split('/')[0], size, theme, language].join('-');
    check((await p.getAttribute('html', 'lang')) === language, `the language is ${language}: ${what}`);
    if (view.startsWith('circuit')) {
      const w = WHOLE[(COMBINATIONS.findIndex((c) => c[0] === size && c[1] === theme) / 2) % WHOLE.length];
      check((await p.getAttribute('.circuit-is', 'data-kind')) === 'early', `what a new circuit is, is not judged yet: ${what}`);
      await p.route(/\/circuits\/main-07$/, knowing(w.is));
      await p.reload();
      await p.waitForSelector('.hours');
      check((await p.getAttribute('.circuit-is', 'data-kind')) === w.kind && w[language].test(await p.textContent('.circuit-is')), `what the circuit is, taken whole: ${await p.textContent('.circuit-is')}: ${what}`);
      if (charts) await p.waitForSelector('.chart-box canvas');
    }
    await shot(p, what);
    await p.evaluate(() => document.querySelectorAll('main details').forEach((d) => (d.open = true)));
    if (view === 'alarms') await shot(p, what + '-open');
    if (language === 'es') await noEnglish(p, what, WROTE);
    await noSideways(p, what);
    await accessible(p, what);
    await leave(p);
  }

/* ---- it is over, and a person says what it was */
await page.goto(base + '/#/' + address);
await page.waitForSelector('details:has-text("It was something else")', { timeout: 150000 });
await page.click('summary:has-text("It was something else")');
await page.selectOption('details select', 'opened_by_hand');
await page.click('details button[type=submit]');
await page.waitForSelector('.corrected:has-text("Ada")');
check(/Ada/.test(await page.textContent('.corrected')), 'the cause is corrected: ' + (await page.textContent('.corrected')));
check(/too much on at once/.test(await page.textContent('.sheet h1')), 'and what was computed stays');
await shot(page, 'trip-corrected-desk-light');

/* ---- what is old is said to be old */
await page.goto(base + '/#/panel');
await page.waitForSelector('.slot');
process.kill(Number(gatewayPid), 'SIGSTOP');
await page.waitForSelector('#stale:not([hidden])', { timeout: 30000 });
check(/last heard/.test(await page.textContent('#stale')), 'a gateway that is silent is said to be: ' + (await page.textContent('#stale')));
await page.waitForSelector('.now:has-text("No readings")');
await shot(page, 'panel-old-desk-light');
await accessible(page, 'panel that is old');
process.kill(Number(gatewayPid), 'SIGCONT');
await page.waitForSelector('#stale', { state: 'hidden', timeout: 30000 });
check(true, 'and when it is back the page is fresh by itself');

/* ---- how quick the first view is: told, not judged (tests/bench has the figures) */
const fresh = await open('desk', 'light', 'en');
const ms = await fresh.evaluate(() => performance.getEntriesByName('first-view')[0].startTime);
console.log(`first view after ${ms.toFixed(0)} ms`);

await end();
