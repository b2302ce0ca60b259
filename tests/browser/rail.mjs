/* A rail of modules as a person meets it: rail.mjs URL BROWSER OUT. Run by rail.sh. */
import { start, check } from './person.mjs';

const [, , base, executablePath, out] = process.argv;
const { open, leave, accessible, noEnglish, noSideways, shot, end } = await start(executablePath, base, out);

for (const [size, theme, language] of [['desk', 'light', 'en'], ['phone', 'dark', 'es'], ['phone', 'light', 'en']]) {
  const page = await open(size, theme, language, 'panel', '.rail .slot');
  const what = ['rail', size, theme, language].join('-');
  await page.waitForSelector('.slot[data-at=closed]');
  await page.waitForSelector('.slot[data-load=over]', { timeout: 30000 });
  check((await page.locator('.rail .slot').count()) === 8, `every breaker is on the rail: ${what}`);
  const order = await page.locator('.rail .no').allTextContents();
  check(order.join(' ').startsWith('1 2 3-5 6'), `in the order of the rail: ${order.join(' ')}`);
  const box = async (name) => (await page.locator('.rail .place', { hasText: name }).first().boundingBox()).width;
  if (size === 'desk') check((await box('Cooker')) > 2.5 * (await box('Refrigerator')), 'three poles are three modules wide');
  check(/B|C/.test(await page.textContent('.rail .rated')), 'the curve stands beside the rating');
  await shot(page, what);
  if (language === 'es') await noEnglish(page, what);
  await noSideways(page, what);
  await accessible(page, what);
  await leave(page);
}
await end();
