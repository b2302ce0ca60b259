/* The service call as a person on site meets it: call.mjs URL BROWSER OUT HANDS LOG. Run by call.sh. The hands in the
 * simulated house do what the page asks for, or something else; LOG is what the house itself says. */
import { appendFileSync, readFileSync, writeFileSync } from 'node:fs';
import { start, check } from './person.mjs';

const [, , base, executablePath, out, handsFile, houseLog] = process.argv;
const { open, leave, accessible, noSideways, shot, end } = await start(executablePath, base, out);
const hand = (...lines) => appendFileSync(handsFile, lines.map((l) => l + '\n').join(''));
const api = async (path) => (await fetch(base + '/api/v1' + path)).json();
const rest = (ms) => new Promise((f) => setTimeout(f, ms));
const until = async (what, f, seconds = 30) => {
  for (let i = 0; i < seconds * 4; i++) {
    if (await f()) return true;
    await rest(250);
  }
  check(false, what + ': not within ' + seconds + ' s');
  return false;
};
const trip = (circuit) => api('/trips?open=true').then((d) => d.trips.find((x) => x.circuit === circuit));
const isDark = (circuit) => api('/circuits/' + circuit).then((d) => d.state.amps < 0.05);
const idOf = (page) => decodeURIComponent(page.url().split('#/call/')[1]);

async function begin(page, circuit, name, as = 'occupant') {
  await page.goto(base + '/#/call/' + circuit);
  await page.waitForSelector('.call-who');
  await page.fill('.call-who input[type=text]', name);
  await page.check(`.call-who input[value=${as}]`);
  await page.click('.call-who button');
  await title(page, 'Before anybody touches the panel');
}
const title = (page, words) => page.waitForSelector(`.call-title:has-text("${words}")`).catch(async (e) => {
  console.log(`instead of "${words}": ` + (await page.locator('h1').allTextContents()).join(' | ') + ' ' + (await page.locator('.answer').allTextContents()).join(' | '));
  throw e;
});
async function say(page, button, next) {
  await page.click(`.call-choices button:has-text("${button}")`);
  if (next) await title(page, next);
}
const found = (page, words) => page.waitForSelector(`.sheet:not(.only-print) h1:has-text("${words}")`);
const finding = async (page) => (await api('/calls/' + idOf(page))).found?.finding;

/* handle found tripped or off, up to ON */
async function upToOn(page, atOff) {
  await say(page, 'Read. None of it applies', 'Find breaker');
  if (atOff) {
    await say(page, 'Fully at OFF', 'Is anybody working on it?');
    await say(page, 'nobody is', 'Everything off');
  } else {
    await say(page, 'Between ON and OFF', 'Everything off');
  }
  await say(page, 'Everything is unplugged', 'Handle fully to OFF');
  await say(page, 'It is fully at OFF', 'Now fully to ON');
}

/* ---- what takes its time begins first: the overload, the worn breaker */
hand('on bath-heater 100000', 'on hair-dryer 100000', 'on bedroom-heater 100000', 'on shop-lights 100000', 'on lights-down 100000', 'on lights-up 100000', 'on living-heater 100000', 'on toaster-down 100000', 'on kettle-up 100000', 'on microwave-up 100000', 'on bath-fan 100000');
const page = await open('phone', 'light', 'en');
await rest(3000);

/* ---- simple overload, and the line lost half-way */
await until('the overload opens its breaker', () => trip('main-07'), 120);
hand('unplug bath-heater', 'unplug hair-dryer', 'unplug clock-bath');
await page.goto(base + '/#/panel');
await page.click('.tag:has-text("Breaker open"):has-text("bath") a:has-text("Service call")');
await page.waitForSelector('.call-who button');
await page.fill('.call-who input[type=text]', 'Ada');
await page.check('.call-who input[value=occupant]');
await page.click('.call-who button');
await title(page, 'Before anybody touches the panel');
await say(page, 'Read. None of it applies', 'Find breaker');
await page.context().setOffline(true);
await page.click('.call-choices button:has-text("Between ON and OFF")');
await page.waitForSelector('.answer:has-text("No connection")');
await shot(page, 'call-no-line-phone-light');
await rest(3000);
await page.context().setOffline(false);
await title(page, 'Everything off');
check((await api('/calls/' + idOf(page))).steps.filter((x) => x.answer === 'tripped').length === 1, 'the line was lost: the answer comes later, and once');
await page.reload();
await title(page, 'Everything off');
check(true, 'a page that is loaded anew goes on where it was');
await say(page, 'Everything is unplugged', 'Handle fully to OFF');
hand('handle_off main-07');
await say(page, 'It is fully at OFF', 'Now fully to ON');
hand('handle_on main-07');
await say(page, 'It stays at ON', 'It holds: now one load');
hand('plug bath-heater');
await title(page, 'Watching');
await rest(5000);
await page.fill('.call-load', 'bath heater');
await say(page, 'It runs as it should', 'It holds: now one load');
hand('plug hair-dryer', 'on hair-dryer 100000'); /* who found it dead had switched it off */
await title(page, 'Too much for this breaker');
await shot(page, 'call-too-much-phone-light');
await accessible(page, 'call, too much, phone');
hand('unplug hair-dryer');
await rest(2500);
await say(page, 'I switched it off again', 'It holds: now one load');
await say(page, 'Nothing is left to connect');
await found(page, 'Too much was on at once');
check((await finding(page)) === 'overload', 'simple overload: what was too much is left off');

/* ---- its sheet: one page of A4 and of Letter, and the figures of the interface */
const id = idOf(page), d = await api('/calls/' + id);
const desk = await open('desk', 'light', 'en', 'call/' + id, '.sheet h1');
await desk.waitForSelector('.sheet .picture .trace');
await shot(desk, 'call-sheet-desk-light');
await accessible(desk, 'call sheet, desk');
for (const format of ['A4', 'Letter']) {
  const pdf = await desk.pdf({ format, printBackground: true });
  writeFileSync(`${out}/call-sheet-${format}.pdf`, pdf);
  const pages = (pdf.toString('latin1').match(/\/Type\s*\/Page\b(?!s)/g) || []).length;
  check(pages === 1, `the call sheet prints on one page of ${format}: ${pages}`);
}
const said = await desk.textContent('.sheet');
for (const [what, v] of [['first load', d.call.loads[0].amps], ['second load', d.call.loads[1].amps], ['first inrush', d.call.loads[0].inrush_amps], ['sum', d.running_amps], ['peak', d.call.peak_amps], ['before', d.call.amps_before]])
  check(said.includes(v.toFixed(2)), `the sheet's ${what} is the interface's: ${v.toFixed(2)} A`);
check((await desk.locator('.sheet .call-steps tr').count()) === d.steps.length, `every step is on the sheet: ${d.steps.length}`);
for (const x of d.steps) if (x.amps !== null) check(said.includes(x.amps.toFixed(2)), `step ${x.step}: ${x.amps.toFixed(2)} A`);
check(said.includes(`${Math.round(d.running_percent)}`), 'and how full it is');
await leave(desk);
const spanish = await open('phone', 'dark', 'es', 'call/' + id, '.sheet h1');
check(/Había demasiado/.test(await spanish.textContent('.sheet h1')), 'in Spanish: ' + (await spanish.textContent('.sheet h1')));
await shot(spanish, 'call-sheet-phone-dark-es');
await noSideways(spanish, 'call sheet, phone, Spanish');
await accessible(spanish, 'call sheet, phone, dark, Spanish');
await leave(spanish);

/* ---- wiring: it opens with nothing connected */
hand('handle_off main-05', 'unplug living-heater', 'unplug router-down', 'unplug tv-down', 'short main-05');
await until('main-05 is dark', () => isDark('main-05'));
await begin(page, 'main-05', 'Ada');
check(/never its cover/.test(await page.textContent('.call-cautions')), 'the cautions come first, and nobody opens a cover');
check((await page.locator('.call-choice').first().boundingBox()).height >= 60, 'the buttons are large');
await shot(page, 'call-cautions-phone-light');
await accessible(page, 'call, cautions, phone, light');
await noSideways(page, 'call, cautions, phone');
await upToOn(page, true);
await shot(page, 'call-on-phone-light');
await accessible(page, 'call, handle to ON, phone');
hand('handle_on main-05');
await rest(1500);
await say(page, 'It went off again');
await found(page, 'opens although nothing is connected');
check((await finding(page)) === 'wiring_or_breaker', 'short in the wiring: wiring or breaker, after one reset');
check(/Leave it off/.test(await page.textContent('.do-now')), 'and it says to leave it off');
await begin(page, 'main-05', 'Ada');
await say(page, 'Read. None of it applies', 'Find breaker');
await say(page, 'Between ON and OFF', 'Everything off');
await say(page, 'Everything is unplugged');
await page.waitForSelector('.sheet:not(.only-print) h1');
check(['stopped_before', 'fault_likely'].includes(await finding(page)), 'a second call of the same person does not lead to ON: ' + (await finding(page)));

/* ---- one shorted appliance, caught in the act */
hand('handle_off main-02', 'unplug kettle-up', 'unplug microwave-up', 'break microwave-up');
await until('main-02 is dark', () => isDark('main-02'));
await begin(page, 'main-02', 'Ada');
await upToOn(page, true);
hand('handle_on main-02');
await say(page, 'It stays at ON', 'It holds: now one load');
hand('plug kettle-up', 'on kettle-up 100000');
await title(page, 'Watching');
await rest(5000);
await page.fill('.call-load', 'kettle');
await shot(page, 'call-watch-phone-light');
await say(page, 'It runs as it should', 'It holds: now one load');
await page.waitForSelector('.call-now .call-loads tr:has-text("kettle"):has-text("runs")');
const kettle = await page.textContent('.call-now .call-loads tr:has-text("kettle")');
const drawn = parseFloat([...readFileSync(houseLog, 'utf8').matchAll(/kettle on \(([\d.]+) A\), main-02/g)].at(-1)[1]);
check(Math.abs(parseFloat(kettle.match(/[\d.]+/)?.[0]) - drawn) < 0.3, `the kettle is measured, the house's draws ${drawn} A: ${kettle}`);
await page.fill('.call-load', 'microwave');
await say(page, 'One load is on', 'Watching microwave');
hand('plug microwave-up', 'on microwave-up 100000');
await rest(2500);
await page.waitForSelector('.call-title:visible:has-text("The current has gone"), .call-title:visible:has-text("Watching microwave"), .sheet:not(.only-print) h1:visible');
if (await page.locator('.call-choices button:has-text("The breaker opened")').count()) await say(page, 'The breaker opened').catch(() => {});
await found(page, 'opened breaker');
check((await finding(page)) === 'appliance', 'one shorted appliance: ' + (await page.textContent('.sheet h1')));
check((await api('/calls/' + idOf(page))).call.loads[1].outcome === 'opened', 'and it is caught with its step');

/* ---- a sign of danger */
hand('handle_off main-10');
await rest(2000);
await begin(page, 'main-10', 'Ada');
await page.click('.call-stop summary');
await shot(page, 'call-stop-phone-light');
await accessible(page, 'call, stop, phone');
await page.click('.call-dangers button:has-text("Buzzing")');
await found(page, 'a sign of danger');
check((await finding(page)) === 'danger', 'a stop rule ends the call');

/* ---- the wrong breaker; nobody answers; left, and found again after a pause */
hand('handle_off main-06', 'unplug lights-up');
await until('main-06 is dark', () => isDark('main-06'));
await begin(page, 'main-06', 'Ada');
await say(page, 'Read. None of it applies', 'Find breaker');
await say(page, 'Fully at OFF', 'Is anybody working on it?');
await say(page, 'nobody is', 'Everything off');
await say(page, 'Everything is unplugged', 'Handle fully to OFF');
await rest(1500);
hand('handle_off main-09');
await title(page, 'Another circuit went dead');
check(/9 \(Down: bedrooms\)/.test(await page.textContent('.call-text')), 'the wrong breaker is named: ' + (await page.textContent('.call-text')));
await shot(page, 'call-wrong-breaker-phone-light');
hand('handle_on main-09');
await title(page, 'Handle fully to OFF');
check(true, 'and the meter sees it back');
await page.waitForSelector('.call-waits', { timeout: 40000 });
check(/Nobody has answered/.test(await page.textContent('.call-waits')), 'nobody answers, and that is said');
await page.goto(base + '/#/panel');
await page.waitForSelector('.slot');
await rest(26000);
await page.goto(base + '/#/call');
await page.waitForSelector('.list tr:has-text("Up: living room"):has-text("open")');
await page.click('.list tr:has-text("Up: living room") a');
await title(page, 'Before anybody touches the panel');
check(true, 'left open for long, the cautions come first again');

/* ---- taken over from another phone, by an electrician */
const second = await open('phone', 'dark', 'en', 'call/' + idOf(page), '.call-title');
await second.waitForSelector('.call-who');
check(/Ada has this call/.test(await second.textContent('.call-asked')), 'another phone sees who has it');
await second.fill('.call-who input[type=text]', 'Eli');
await second.check('.call-who input[value=electrician]');
await second.click('.call-who button');
await second.waitForSelector('.call-choices');
await page.waitForSelector('.call-asked:has-text("Eli has this call")');
check(true, 'and the first phone is told that it was taken over');
await shot(second, 'call-taken-over-phone-dark');
await accessible(second, 'call, taken over, phone, dark');
await say(second, 'Read. None of it applies', 'Find breaker');
await say(second, 'Fully at OFF', 'Is anybody working on it?');
await say(second, 'nobody is', 'Everything off');
await say(second, 'Everything is unplugged', 'Handle fully to OFF');
await say(second, 'It is fully at OFF', 'Now fully to ON');
hand('handle_on main-06');
await title(second, 'It holds');
check(true, 'what is always on is seen to come back: it holds');
await say(second, 'Nothing is left to connect');
await found(second, 'Everything is back');
check((await finding(second)) === 'restored', 'the electrician ends it');
await leave(second);

/* ---- the feeder */
hand('fault main-22'); /* a fault beyond the workshop's panel */
await until('the feeder is seen to go', async () => (await trip('shop-1'))?.upstream, 40);
await page.goto(base + '/#/call/shop-1');
await begin(page, 'shop-1', 'Ada');
await page.waitForSelector('.call-where:has-text("Workshop"), .call-where:has-text("workshop")');
await say(page, 'Read. None of it applies', 'Find breaker');
check(/licensed electrician/.test(await page.textContent('.call-whom')), 'a feeder is for an electrician');
await say(page, 'Between ON and OFF', 'Everything off');
await say(page, 'Everything is unplugged');
await found(page, 'The breaker before');
check((await finding(page)) === 'feeder', 'feeder open: not reset by whoever lives there');

/* ---- a worn breaker: it opens at less than its rating, and again */
await until('the worn breaker opens', () => isDark('main-08'), 600);
hand('unplug bedroom-heater');
await begin(page, 'main-08', 'Ada');
await upToOn(page, false);
hand('handle_off main-08', 'handle_on main-08');
await say(page, 'It stays at ON', 'It holds: now one load');
hand('plug bedroom-heater');
await title(page, 'Watching');
const awake = setInterval(() => fetch(`${base}/api/v1/calls/${idOf(page)}/note`, { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify({ note: 'still on', by: 'Ada', device: 'x' }) }), 15000); /* somebody is there: no pause */
await until('it opens again', async () => (await isDark('main-08')) || !(await page.locator('.call-title:has-text("Watching")').count()), 600);
clearInterval(awake);
await page.locator('.call-choices button:has-text("The breaker opened")').click({ timeout: 10000 }).catch(() => {});
await found(page, 'at a current that it must carry');
check((await finding(page)) === 'worn_breaker', 'a worn breaker is told: ' + (await page.textContent('.sheet h1')));

await page.goto(base + '/#/call');
await page.waitForSelector('.list tr');
await shot(page, 'call-list-phone-light');
await accessible(page, 'list of calls, phone');
await noSideways(page, 'list of calls, phone');
await end();
