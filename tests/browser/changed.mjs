/* What a standing trip alarm says follows its cause: changed.mjs URL BROWSER OUT. Run by changed.sh. */
import { start, check } from './person.mjs';

const [, , base, executablePath, out] = process.argv;
const { browser, leave, accessible, noEnglish, shot, end } = await start(executablePath, base, out);
const site = await (await fetch(base + '/api/v1/site')).json();
const feeder = site.circuits.find((c) => c.feeds).circuit;

/* as the gateway says it (analysis/trip_texts.c): the advice is whole there, its beginning is enough here */
const ADVICE = {
  overload: 'Unplug or switch off what was on. An adult who may do so in this home can move the handle once fully to OFF, then to ON.',
  fault: 'Do not reset it. Call a licensed electrician.',
  worn_breaker: 'Leave it off and call a licensed electrician to check the breaker and replace it.',
};
const at = new Date().toISOString();
let seq = 9000000;
function alarm(circuit, cause, more = {}) {
  return { type: 'alarm', time: at, raised_at: at, seq: seq++, site: site.site, circuit, panel: site.circuits.find((c) => c.circuit === circuit).panel, alarm: circuit + '.trip', kind: 'trip', priority: 'high', state: 'unacknowledged', text: `Breaker of ${circuit} has opened: ${cause}.`, advice: ADVICE[cause], figures: [{ what: 'carried_before', value: 21.5, unit: 'A' }, { what: cause, value: 90, unit: '%' }], ...more };
}
const trip = (circuit, cause) => ({ type: 'trip', time: at, seq: seq++, trip: circuit + '-20260101T000000Z', circuit, stage: 'confirmed', probability: 0.97, opened_at: at, cause, causes: { [cause]: 0.9 }, amps_before: 21.5, heat: 1, loads: [], with: [], upstream: null, evidence: [], restored_at: null });

/* a page whose stream can be spoken into; what stands when it is opened is `first` */
async function visit(language, circuit, cause) {
  const context = await browser.newContext({ viewport: { width: 390, height: 844 }, locale: language === 'es' ? 'es-US' : 'en-US', reducedMotion: 'reduce' });
  const p = await context.newPage();
  p.setDefaultTimeout(30000);
  p.on('pageerror', (e) => check(false, e.message));
  await p.addInitScript(() => {
    const Real = EventSource;
    globalThis.EventSource = class extends Real {
      constructor(url) {
        super(url);
        globalThis.stream = this;
      }
      /* readings that a test speaks are not spoken over by the gateway, which has none */
      addEventListener(type, f) {
        super.addEventListener(type, (m) => (type === 'circuits' && m.isTrusted && globalThis.spoken ? null : f(m)));
      }
    };
  });
  const first = { alarms: [alarm(circuit, cause)], trips: [trip(circuit, cause)] };
  let asked = 0, answered;
  const settled = new Promise((f) => (answered = f)); /* the page asks once, and again when the stream is open: that answer is slow, and older than what is said meanwhile */
  await p.route(/\/api\/v1\/alarms(\?|$)/, (r) => r.fulfill({ json: { alarms: r.request().url().includes('all=') ? [] : first.alarms } }));
  await p.route(/\/api\/v1\/trips\?/, async (r) => {
    const late = asked++ > 0;
    if (late) await new Promise((f) => setTimeout(f, 2000));
    await r.fulfill({ json: { trips: first.trips } });
    if (late) answered();
  });
  await p.goto(base + '/#/alarms');
  await p.waitForSelector('.alarm');
  const say = (e) => p.evaluate((d) => globalThis.stream.dispatchEvent(new MessageEvent('event', { data: d })), JSON.stringify(e));
  const read = (circuits) => p.evaluate((d) => {
    globalThis.spoken = true;
    globalThis.stream.dispatchEvent(new MessageEvent('circuits', { data: d }));
  }, JSON.stringify({ frame_at: new Date().toISOString(), circuits: circuits.map((c) => ({ load_percent: 0, heat: 0, loads: [], reading_at: at, reading_age_seconds: 0, ...c })) }));
  return { p, say, read, settled };
}
const card = (p) => p.textContent('.alarm');
const isOpen = (p, summary) => p.evaluate((s) => [...document.querySelectorAll('.alarm details')].find((d) => d.textContent.startsWith(s)).open, summary);

/* ---- another cause, another advice: it is said, read aloud and not hidden behind a fold */
{
  const { p, say } = await visit('en', 'main-07', 'overload');
  check(/is open\. Too much on at once\./.test(await card(p)), 'the alarm says why it is open: ' + (await card(p)).slice(0, 200));
  check(/then to ON/.test(await card(p)) && !(await isOpen(p, 'What to do')), 'at first it may be reset once');
  await say(alarm('main-07', 'overload', { state: 'acknowledged', by: 'Ada' }));
  await p.waitForSelector('.alarm:has-text("acknowledged by Ada")');
  check(!/Acknowledge/.test(await p.textContent('.alarm .buttons')), 'and somebody sees to it');
  await say(trip('main-07', 'fault'));
  await say(alarm('main-07', 'fault', { changed: 'advice' }));
  await p.waitForSelector('.alarm:has-text("What to do has changed")');
  const said = await card(p);
  check(/Do not reset it/.test(said) && !/to ON/.test(said), 'then nothing tells to reset it any more: ' + said.slice(0, 300));
  check(await isOpen(p, 'What to do'), 'and what to do now is seen without a touch');
  check(/Acknowledge/.test(await p.textContent('.alarm .buttons')), 'it asks to be answered once more');
  check((await p.locator('.alarm').count()) === 1, 'it is one alarm still');
  await shot(p, 'changed-phone-en');
  await accessible(p, 'an alarm whose advice has changed');

  /* words alone call nobody: answered again, it stays so */
  await say(alarm('main-07', 'fault', { state: 'acknowledged', by: 'Ada' }));
  await p.waitForSelector('.alarm:has-text("acknowledged by Ada")');
  await say(alarm('main-07', 'fault', { state: 'acknowledged', by: 'Ada', changed: 'words', figures: [{ what: 'fault', value: 71, unit: '%' }] }));
  await p.waitForSelector('.alarm .figures:has-text("71")', { state: 'attached' }); /* no waitForFunction: the content policy forbids its eval */
  check(!/What to do has changed/.test(await card(p)) && !(await isOpen(p, 'What to do')), 'a percentage alone is no news');
  await leave(p);
}

/* ---- in Spanish the words are the page's own: they follow as well */
{
  const { p, say } = await visit('es', 'main-07', 'overload');
  check(/luego a ON/.test(await card(p)), 'en español, al principio: ' + (await card(p)).slice(0, 200));
  await say(alarm('main-07', 'worn_breaker', { changed: 'advice' })); /* before the trip's own word, as it may come */
  await p.waitForSelector('.alarm:has-text("ha cambiado")');
  let said = await card(p);
  check(/Déjelo apagado/.test(said) && !/luego a ON/.test(said), 'y después: ' + said.slice(0, 300));
  await say(alarm('main-07', 'fault', { changed: 'advice' }));
  await p.waitForSelector('.alarm:has-text("No lo rearme")');
  await noEnglish(p, 'an alarm whose advice has changed, in Spanish', ['Ada']);
  await shot(p, 'changed-phone-es');
  await leave(p);
}

/* ---- a feeder is never told to be reset, whatever opened it */
{
  const { p } = await visit('es', feeder, 'overload');
  const said = await card(p);
  check(/No lo rearme: un alimentador/.test(said) && !/luego a ON/.test(said), 'a feeder is for an electrician: ' + said.slice(0, 300));
  await p.route(/\/api\/v1\/trips\/[^/?]+$/, (r) => r.fulfill({ json: { trip: trip(feeder, 'overload'), events: [] } }));
  await p.route(/\/record\?/, (r) => r.fulfill({ json: { columns: ['time'], rows: [] } }));
  await p.goto(base + '/#/trip/' + trip(feeder, 'overload').trip);
  await p.waitForSelector('.do-now');
  const sheet = await p.textContent('.do-now');
  check(/No lo rearme: un alimentador/.test(sheet) && !/luego a ON/.test(sheet), 'on its sheet as well: ' + sheet.slice(0, 200));
  await p.goto(base + '/#/panel');
  await p.waitForSelector('.tag');
  const tag = await p.textContent('.tag');
  check(/No lo rearme: un alimentador/.test(tag) && !/luego a ON/.test(tag), 'and on its tag: ' + tag.slice(0, 200));
  check(/emergencias/.test(tag) && /no es un dispositivo de protección/.test(tag), 'which carries the cautions');
  await leave(p);
}

/* ---- an outage has opened no breaker, and nobody is sent to one */
{
  const { p, say, read, settled } = await visit('en', 'main-07', 'overload');
  const dark = site.circuits.filter((c) => c.circuit !== 'main-07');
  for (const c of dark) await say({ ...trip(c.circuit, 'supply_outage'), upstream: 'utility' });
  await say(alarm('main-07', 'overload', { state: 'suppressed', suppressed_by: 'utility' }));
  await say(alarm('main-07', 'supply_outage', { circuit: undefined, panel: undefined, alarm: site.site + '.trip', priority: 'urgent', figures: undefined }));
  await p.goto(base + '/#/panel');
  await read(site.circuits.map((c) => ({ circuit: c.circuit, state: 'open', amps: 0 })));
  await p.waitForSelector('.slot[data-at="dark"]');
  await settled; /* the slow answer is there, */
  await p.evaluate(() => new Promise((f) => setTimeout(() => requestAnimationFrame(f), 500))); /* and taken */
  check((await p.locator('.slot[data-at="dark"]').count()) === dark.length, 'every other breaker is without supply');
  check((await p.locator('.slot[data-at="open"]').count()) === 1, 'and only the one that had opened is open');
  const tag = await p.textContent('.tag');
  check(/No supply/.test(tag) && /nothing to do at the panel/.test(tag) && !/Service call/.test(tag), 'one tag tells it: ' + tag.slice(0, 200));
  check(/whole site/.test(await p.textContent('.now')), 'one sentence says what matters');
  await accessible(p, 'an outage, phone');
  await shot(p, 'outage-phone-en');
  await p.goto(base + '/#/trips');
  await p.waitForSelector('tr:has-text("still without supply")');
  check((await p.locator('tr:has-text("still open")').count()) === 1, 'the list says the same');
  await leave(p);
}

/* ---- what has its supply again is neither called open nor to be reset */
{
  const { p, say } = await visit('en', 'main-07', 'overload');
  await say(alarm('main-07', 'overload', { state: 'returned_unacknowledged' }));
  await p.waitForSelector('.alarm:has-text("no longer open")');
  check(!/to ON/.test(await card(p)), 'nothing tells to reset it any more');
  for (const [cause, words] of [['overload', /nothing needs to be done at the panel now/], ['fault', /the cause may still be there/]]) {
    const back = { ...trip('main-07', cause), restored_at: at, seconds_open: 60 };
    await p.unroute(/\/api\/v1\/trips\/[^/?]+$/);
    await p.route(/\/api\/v1\/trips\/[^/?]+$/, (r) => r.fulfill({ json: { trip: back, events: [] } }));
    await p.route(/\/record\?/, (r) => r.fulfill({ json: { columns: ['time'], rows: [] } }));
    await p.goto(base + '/#/trips');
    await p.goto(base + '/#/trip/' + back.trip);
    await p.waitForSelector('.do-now');
    const sheet = await p.textContent('.do-now');
    check(words.test(sheet) && !/to ON/.test(sheet), 'nor its sheet: ' + sheet.slice(0, 200));
  }
  await leave(p);
}

/* ---- a site whose meters do not answer is not called fine */
{
  const { p, say, read } = await visit('en', 'main-07', 'overload');
  await say(alarm('main-07', 'overload', { state: 'normal' }));
  await say({ ...trip('main-07', 'overload'), stage: 'withdrawn' });
  await p.goto(base + '/#/panel');
  const first = (n) => read(site.circuits.map((c, i) => (i < n ? { circuit: c.circuit, state: 'closed', amps: 1, load_percent: 5 } : { circuit: c.circuit, state: 'unknown', amps: null, reading_at: null })));
  await first(0);
  await p.waitForSelector('.now:has-text("No readings at the moment")');
  await first(site.circuits.length - 2);
  await p.waitForSelector('.now:has-text("Circuits without a reading: 2 of")');
  await first(site.circuits.length);
  await p.waitForSelector('.now:has-text("Nothing needs you now")');
  check(true, 'what is not read is said before that nothing is needed');
  await leave(p);
}

/* ---- who may not see the figures is told by the trip's cause; of one that nobody knows, not to reset */
{
  const { p, say } = await visit('es', 'main-07', 'overload');
  await say(alarm('main-07', 'overload', { figures: undefined }));
  await p.waitForSelector('.alarm:has-text("luego a ON")');
  await say(trip('main-07', 'sensor_lost'));
  await say(alarm('main-07', 'overload', { figures: undefined }));
  await p.waitForSelector('.alarm:has-text("No lo rearme")');
  check(true, 'without figures the trip says it, and what is not known is told as the dangerous one');
  await leave(p);
}
/* ---- a worn breaker is worn until somebody records another: the gateway does it, and the circuit's page has it */
{
  const { p, say } = await visit('en', 'main-07', 'overload');
  await p.evaluate(() => localStorage.setItem('by', 'Ada'));
  await say({ ...alarm('main-07', 'worn_breaker'), alarm: 'main-07.worn_breaker', kind: 'worn_breaker', text: 'Breaker 7 opens at less than it should carry.' });
  const worn = p.locator('.alarm', { hasText: 'opens at less than it should carry' });
  check((await p.locator('.alarm', { hasText: 'is open' }).locator('button', { hasText: 'Breaker replaced' }).count()) === 0, 'only what is about the breaker itself can be answered so');
  await worn.locator('button', { hasText: 'Breaker replaced' }).click();
  check(/licensed electrician has put in another/.test(await worn.textContent()), 'it says whose work that is');
  await worn.locator('.shelve input').fill('a new 15 A');
  await accessible(p, 'a breaker that was replaced is recorded');
  await worn.locator('button[type=submit]').click();
  await p.waitForSelector('.alarm .answer:has-text("Done")');
  await p.goto(base + '/#/circuit/main-07');
  await p.waitForSelector('.happened li:has-text("The breaker was replaced, says Ada: “a new 15 A”")');
  check(true, 'and the record of the circuit has it, with who said so');
  await leave(p);
}
await end();
