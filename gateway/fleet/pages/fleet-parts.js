/* fleet-parts: what the views of a centre's page have in common. */
import { h, s, text } from '/dom.js';
import { get, post, may } from '/live.js';
import { t, faultSaid, isSaid, number, duration, dayClock, date, nowLanguage } from '/say.js';

export const heard = { at: 0 }; /* the centre said anything, by this browser's own steady clock */

export async function fetchOf(path) {
  const d = await get(path);
  heard.at = performance.now();
  return d;
}

/* Asks now and again; what comes goes to take, what goes wrong to fail. Returns what ends it, and asks at once. */
export function poll(path, take, fail, seconds = 15) {
  let over = false, timer = null;
  async function ask() {
    clearTimeout(timer);
    try {
      const d = await fetchOf(path);
      if (!over) take(d);
    } catch (e) {
      if (!over) fail?.(e);
      if ([403, 404].includes(e.status)) over = true; /* it does not come back by itself */
    }
    if (!over) timer = setTimeout(ask, 1000 * seconds);
  }
  ask();
  return { now: ask, stop: () => { over = true; clearTimeout(timer); } };
}

export const unitName = (u) => u.name || u.unit;
export const unitLink = (u) => h('a', { href: '#/unit/' + encodeURIComponent(u.unit) }, unitName(u));
/* "12 Mill Lane, 3B", when somebody has entered it */
export const placeOf = (u) => [u.building, u.place].filter(Boolean).join(', ');
export const ago = (at) => t('fleet.ago', { time: duration(Math.max(1, (Date.now() - Date.parse(at)) / 1000)) });
export const since = (at) => t('alarms.raised', { time: duration(Math.max(1, (Date.now() - Date.parse(at)) / 1000)) });
export const lineOf = (u) => (u.online ? t('unit.online') : u.heard_at ? t('unit.heard', { time: ago(u.heard_at) }) : t('unit.never'));
export const kindSaid = (kind) => (isSaid('kind.' + kind) ? t('kind.' + kind) : kind.replaceAll('_', ' '));
export const causeSaid = (cause) => (isSaid('cause.' + cause) ? t('cause.' + cause) : cause.replaceAll('_', ' '));

/* "order 12, assigned" */
export const orderChip = (o) => h('a', { class: 'chip', href: '#/order/' + o.order, 'data-state': o.state }, t('order.chip', { n: o.order, state: t('order.' + o.state) }));
export const newOrder = (unit, circuit, what, id) => '#/new-order/' + [unit, circuit || '-', what || '-', id || '-'].map(encodeURIComponent).join('/');

/* before anybody touches a panel: whole, wherever somebody is sent there */
export const cautions = () => h('section', { class: 'cautions' }, h('h2', {}, t('caution.title')), [1, 2, 3].map((n) => h('p', {}, t('caution.' + n))));

/* why a gateway did not answer, in the page's language */
export function gatewayFault(e) {
  const why = e.status === 503 && e.why === undefined ? null : e.why;
  return why && isSaid('ask.' + why) ? t('ask.' + why) : faultSaid(e);
}

/* as live.js's get and post, with the word that says why */
export async function ask(path, body) {
  try {
    return body === undefined ? await fetchOf(path) : await post(path, body);
  } catch (e) {
    throw Object.assign(e, { why: e.body?.why });
  }
}

/* columns of counts, one above the other by cause: {from, to, step, counts} of trips/counts */
const SHADES = ['overload', 'fault', 'worn_breaker', 'opened_by_hand', 'upstream_open', 'supply_outage'];
export function countChart(d, title) {
  const begin = Date.parse(d.from), steps = Math.max(1, Math.ceil((Date.parse(d.to) - begin) / (1000 * d.step)));
  const causes = [...new Set(d.counts.map((c) => c.cause))].sort((a, b) => SHADES.indexOf(a) - SHADES.indexOf(b));
  const by = Array.from({ length: steps }, () => ({}));
  for (const c of d.counts) {
    const i = Math.round((Date.parse(c.from) - begin) / (1000 * d.step));
    if (by[i]) by[i][c.cause] = (by[i][c.cause] ?? 0) + c.count;
  }
  const sums = by.map((x) => Object.values(x).reduce((a, b) => a + b, 0)), top = Math.max(1, ...sums);
  const each = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000].find((n) => top / n <= 5) ?? 10000, high = Math.ceil(top / each) * each;
  const small = innerWidth < 640 && !matchMedia('print').matches, W = small ? 380 : 1100, H = 220, L = 34, B = 22, T = 8, w = (W - L - 4) / steps;
  const y = (n) => T + (1 - n / high) * (H - T - B), x = (i) => L + i * w;
  const most = small ? 2 : 5, labels = Array.from({ length: most + 1 }, (_, k) => Math.round((k * (steps - 1)) / most)).filter((v, i, all) => all.indexOf(v) === i);
  const whole = sums.reduce((a, b) => a + b, 0);
  const picture = s('svg', { class: 'counts', viewBox: `0 0 ${W} ${H}`, role: 'img', 'aria-label': title + ': ' + t('openings.sum', { n: number(whole, 0) }) },
    Array.from({ length: high / each + 1 }, (_, k) => k * each).map((n) => [s('line', { class: 'grid', x1: L, x2: W - 4, y1: y(n), y2: y(n) }), s('text', { class: 'axis', x: L - 6, y: y(n) + 4, 'text-anchor': 'end' }, String(n))]),
    by.map((counts, i) => { let under = 0; return causes.map((c) => { const n = counts[c] ?? 0, from = under; under += n; return n ? s('rect', { class: 'c-' + c, x: x(i) + w * 0.12, width: Math.max(1, w * 0.76), y: y(from + n), height: y(from) - y(from + n) }) : null; }); }),
    labels.map((i) => s('text', { class: 'axis', x: x(i) + w / 2, y: H - 6, 'text-anchor': i === 0 ? 'start' : i === steps - 1 ? 'end' : 'middle' }, date(begin + i * d.step * 1000))));
  const key = h('ul', { class: 'chart-key' }, causes.map((c) => h('li', {}, s('svg', { class: 'sample', viewBox: '0 0 16 8', 'aria-hidden': 'true' }, s('rect', { class: 'c-' + c, width: 16, height: 8 })), causeSaid(c), ' ', number(d.counts.filter((k) => k.cause === c).reduce((a, k) => a + k.count, 0), 0))));
  const rows = by.map((counts, i) => [i, counts]).filter(([i]) => sums[i]);
  const table = h('details', { class: 'chart-table' }, h('summary', {}, t('openings.table')), h('div', { class: 'scroll', tabindex: '0', role: 'group', 'aria-label': title }, h('table', {}, h('thead', {}, h('tr', {}, h('th', { scope: 'col' }, t('openings.from')), causes.map((c) => h('th', { scope: 'col' }, causeSaid(c))), h('th', { scope: 'col' }, t('openings.all')))),
    h('tbody', {}, rows.map(([i, counts]) => h('tr', {}, h('th', { scope: 'row' }, date(begin + i * d.step * 1000)), causes.map((c) => h('td', {}, number(counts[c] ?? 0, 0))), h('td', {}, number(sums[i], 0))))))));
  return whole ? [picture, key, table] : [h('p', {}, t('openings.none'))];
}

/* one row of a list of trips; `far` with the unit's name */
export function tripRow(x, withUnit) {
  const open = !x.restored_at;
  return h('tr', { class: x.stage === 'withdrawn' ? 'withdrawn' : open ? 'still' : '' },
    h('td', {}, h('a', { href: `#/unit/${encodeURIComponent(x.unit)}/trip/${encodeURIComponent(x.trip)}` }, h('time', { datetime: x.opened_at }, dayClock(x.opened_at)))),
    withUnit ? h('th', { scope: 'row' }, unitLink(x), h('span', { class: 'small' }, placeOf(x))) : null,
    h(withUnit ? 'td' : 'th', withUnit ? { 'data-label': t('trips.what') } : { scope: 'row' }, x.circuit || t('unit.whole')),
    h('td', {}, causeSaid(x.cause), h('span', { class: 'small' }, t('stage.' + x.stage))),
    h('td', {}, open ? t('trips.still') : t('openings.again', { time: dayClock(x.restored_at) }), x.opened_again_after_seconds != null ? h('span', { class: 'small' }, t('sheet.again', { time: duration(x.opened_again_after_seconds) })) : null));
}
export const tripHead = (withUnit) => h('thead', {}, h('tr', {}, ['trips.when', ...(withUnit ? ['openings.unit'] : []), 'trips.what', 'trips.why', 'sheet.restored'].map((k) => h('th', { scope: 'col' }, t(k)))));

/* a form: its fields, what a press on its button does, and what is said of it */
export function formOf(fields, label, send, done) {
  const said = h('p', { class: 'answer', role: 'status' }), button = h('button', { type: 'submit', class: 'main' }, label);
  return h('form', { class: 'entry', onsubmit: async (e) => {
    e.preventDefault();
    button.disabled = true;
    text(said, t('login.looking'));
    try {
      const a = await send();
      text(said, t('alarms.done'));
      done?.(a);
    } catch (x) {
      text(said, t('alarms.failed', { why: gatewayFault(x) }));
    }
    button.disabled = false;
  } }, fields, h('p', {}, button), said);
}

/* a local day's end, as a time */
export const dayEnd = (value) => (value ? new Date(value + 'T23:59:59').toISOString() : null);
export const dayFrom = (days) => new Date(Date.now() + days * 86400000 - new Date().getTimezoneOffset() * 60000).toISOString().slice(0, 10);

export const exportLink = (what, query = '') => (may('portfolio') ? h('a', { class: 'do', href: `/api/v1/${what}.csv${query}`, download: what + '.csv' }, t('export.' + what)) : null);
export const keyOf = (...parts) => nowLanguage() + JSON.stringify(parts);
