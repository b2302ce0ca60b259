/* The way in as people meet it: access.mjs URL BROWSER OUT CODE. Run by access.sh. */
import { start, check } from './person.mjs';

const [, , base, executablePath, out, first] = process.argv;
const { open, leave, accessible, noEnglish, noSideways, shot, end } = await start(executablePath, base, out);
const PASSWORD = 'correct horse battery';

/* ---- a stranger sees the way in, and nothing else */
const ada = await open('desk', 'light', 'en', 'panel', '.login h1');
check((await ada.locator('nav a').count()) === 0 && !/Alder/.test(await ada.textContent('body')), 'before a login there is nothing to see');
await shot(ada, 'login-desk-light');
await accessible(ada, 'login, desk, light');
for (const [size, theme, language] of [['phone', 'dark', 'es'], ['phone', 'light', 'en']]) {
  const p = await open(size, theme, language, '', '.login h1');
  const what = ['login', size, theme, language].join('-');
  await p.locator('[data-way=code]').click();
  await shot(p, what);
  if (language === 'es') await noEnglish(p, what);
  await noSideways(p, what);
  await accessible(p, what);
  await leave(p);
}

/* ---- the first administrator, by keyboard alone */
await ada.locator('[data-way=code]').focus();
await ada.keyboard.press('Enter');
await ada.waitForSelector('input[name=code]');
await ada.keyboard.type('ada');
await ada.keyboard.press('Tab');
await ada.keyboard.type(first.toLowerCase());
await ada.keyboard.press('Tab');
await ada.keyboard.type('Ada Lind is in');
await ada.keyboard.press('Enter');
await ada.waitForSelector('.answer:has-text("your own name")');
check(true, 'a password that is no good is refused with a sentence');
await ada.fill('input[name=password]', PASSWORD);
await ada.keyboard.press('Enter');
await ada.waitForSelector('.slot');
check(true, 'the first administrator is in, by keyboard alone');

/* ---- who lets the others in */
await ada.goto(base + '/#/people');
await ada.waitForSelector('tr:has-text("Kim Ito") button');
async function codeFor(name) {
  await ada.click(`tr:has-text("${name}") button:has-text("One-time code")`);
  return ada.textContent(`tr:has-text("${name}") .code-said`);
}
const kimCode = await codeFor('Kim Ito'), moCode = await codeFor('Mo Diaz');
await ada.fill('form.entry input[maxlength="60"]', 'Rosa Vega');
await ada.click('button:has-text("Make a code")');
const visitCode = await ada.textContent('form.entry .code-said');
await ada.waitForSelector('li:has-text("Rosa Vega")');
await ada.waitForSelector('tr:has-text("made a visit for")');
await shot(ada, 'people-desk-light');
await accessible(ada, 'people, desk, light');
await noSideways(ada, 'people, desk');

/* ---- a resident */
async function comeIn(page, way, fields) {
  await page.click(`[data-way=${way}]`);
  for (const [name, value] of Object.entries(fields)) await page.fill(`input[name=${name}]`, value);
  await page.click('button[type=submit]');
  await page.waitForSelector('.slot');
}
const kim = await open('phone', 'dark', 'es', '', '.login h1');
await comeIn(kim, 'code', { person: 'kim', code: kimCode, password: PASSWORD });
await kim.goto(base + '/#/people');
await kim.waitForSelector('h1:has-text("Su cuenta")');
check((await kim.locator('table').count()) === 0, 'a resident sees nobody but themselves');
await shot(kim, 'yourself-phone-dark-es');
await accessible(kim, 'yourself, phone, dark, es');
await kim.click('button:has-text("Salir")');
await kim.waitForSelector('.login h1');
check(true, 'a resident logs out');

/* ---- a manager sees who needs somebody, and no loads */
const mo = await open('desk', 'light', 'en', '', '.login h1');
await comeIn(mo, 'code', { person: 'mo', code: moCode, password: PASSWORD });
await ada.goto(base + '/#/circuit/main-07');
await ada.waitForSelector('.running li', { timeout: 60000 });
check(/A/.test(await ada.textContent('.huge')), 'the administrator sees what is on');
await mo.waitForTimeout(2500);
check((await mo.locator('.figure, .what').allTextContents()).every((w) => !w.trim()), 'a manager sees no load on the panel');
await shot(mo, 'panel-manager-desk-light');
await accessible(mo, 'panel of a manager');
await mo.goto(base + '/#/circuit/main-07');
await mo.waitForSelector('.circuit-title');
await mo.waitForSelector('p:has-text("Not shown to managers")');
check((await mo.locator('.running li').count()) === 0, 'a manager sees no load of a circuit');
await shot(mo, 'circuit-manager-desk-light');
await accessible(mo, 'circuit of a manager');

/* ---- a visit ends, and whoever is in is shown the door */
const rosa = await open('phone', 'light', 'en', '', '.login h1');
await comeIn(rosa, 'visit', { code: visitCode });
await rosa.goto(base + '/#/alarms');
await rosa.waitForSelector('h1:has-text("Alarms")');
await ada.goto(base + '/#/people');
await ada.click('li:has-text("Rosa Vega") button');
await rosa.waitForSelector('.login h1', { timeout: 20000 });
check(true, 'a visit that is ended is shown the door by itself');
for (const [size, theme] of [['phone', 'dark']]) {
  await ada.setViewportSize({ width: 390, height: 844 });
  await ada.emulateMedia({ colorScheme: theme });
  await ada.waitForTimeout(300);
  await shot(ada, `people-${size}-${theme}`);
  await noSideways(ada, 'people, phone');
  await accessible(ada, 'people, phone, dark');
}
await ada.evaluate(() => localStorage.setItem('language', 'es'));
await ada.reload();
await ada.waitForSelector('tr:has-text("creó una visita para")');
await noEnglish(ada, 'people, audit, es', ['Ada Lind', 'Kim Ito', 'Mo Diaz', 'Rosa Vega']);
await end();
