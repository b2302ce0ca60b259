/* use: what a circuit used by days, what it cost, and the most it asked for over a quarter of an hour. */
import { h, s } from '/dom.js';
import { get } from '/live.js';
import { t, faultSaid, amps, number, percent, day, dayClock, nowLanguage } from '/say.js';

const DAYS = 31;
const EVERY_MS = 300000;
const sum = (list, member) => list.reduce((a, d) => a + (d[member] ?? 0), 0);

/* a date of the site's clock as a moment that `day` says as that date anywhere */
const noon = (date) => Date.parse(date + 'T12:00:00Z');

function bars(days) {
  const small = innerWidth < 640, W = small ? 380 : 1100, H = small ? 130 : 150, most = Math.max(...days.map((d) => d.kwh), 0.001), B = 20, T = 20, L = 46, w = (W - L) / DAYS;
  const y = (v) => (H - B - T) * (1 - v / (1.1 * most)) + T, each = [0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100].find((n) => most / n <= 3.5) ?? 200;
  return s('svg', { class: 'use-bars', viewBox: `0 0 ${W} ${H}`, role: 'img', 'aria-label': t('use.label', { n: days.length, kwh: number(sum(days, 'kwh'), 1) }) },
    s('text', { class: 'axis', x: 0, y: 11 }, 'kWh'),
    Array.from({ length: Math.floor((1.1 * most) / each) + 1 }, (_, i) => i * each).map((v) => [s('line', { class: 'grid', x1: L, x2: W, y1: y(v), y2: y(v) }), s('text', { class: 'axis', x: L - 6, y: y(v) + 4, 'text-anchor': 'end' }, number(v, each < 0.1 ? 2 : each < 1 ? 1 : 0))]),
    days.map((d, i) => d.seconds_without > 0 && !d.kwh ? null : s('rect', { class: d.seconds_without > 8640 ? 'part' : 'whole', x: L + (DAYS - days.length + i) * w + 2, width: w - 4, y: y(Math.max(0, d.kwh)), height: Math.max(0.5, y(0) - y(Math.max(0, d.kwh))) }, s('title', {}, `${day(noon(d.date))}: ${number(d.kwh, 2)} kWh`))),
    days.map((d, i) => ((days.length - 1 - i) % (small ? 14 : 7) === 0 ? s('text', { class: 'axis', x: Math.min(W - 2, L + (DAYS - days.length + i + 0.5) * w), y: H - 3, 'text-anchor': i > days.length - 3 ? 'end' : i < 3 ? 'start' : 'middle' }, day(noon(d.date))) : null)));
}

function facts(d, circuit) {
  const days = d.days, cost = (list) => (d.currency ? ' · ' + number(sum(list, 'cost'), 2) + '\u00a0' + d.currency : '');
  const kwh = (list) => number(sum(list, 'kwh'), sum(list, 'kwh') < 10 ? 2 : 1) + '\u00a0kWh' + cost(list);
  const fact = (label, words) => h('div', { class: 'fact' }, h('dt', {}, t(label)), h('dd', {}, words));
  return h('dl', { class: 'facts' }, fact('use.today', kwh(days.slice(-1))), fact('use.week', kwh(days.slice(-7))), fact('use.month', kwh(days.slice(-30))),
    fact('use.demand', d.demand ? t('use.demand_at', { amps: amps(d.demand.amps), percent: percent(d.demand.amps / circuit.rating_amps), time: dayClock(d.demand.at) }) : '–'));
}

function table(d) {
  return h('details', {}, h('summary', {}, t('chart.table')), h('div', { class: 'scroll', tabindex: '0', role: 'group', 'aria-label': t('use.title') }, h('table', {}, h('thead', {}, h('tr', {}, h('th', { scope: 'col' }, t('use.day')), h('th', { scope: 'col' }, 'kWh'), d.currency ? h('th', { scope: 'col' }, d.currency) : null)),
    h('tbody', {}, [...d.days].reverse().map((x) => h('tr', {}, h('th', { scope: 'row' }, day(noon(x.date))), h('td', {}, number(x.kwh, 2) + (x.seconds_without > 8640 ? ' *' : '')), d.currency ? h('td', {}, number(x.cost, 2)) : null))))), h('p', { class: 'small' }, '* ' + t('use.part')));
}

export function use(circuit) {
  const box = h('div', {}, h('p', { class: 'small' }, '…'));
  let asked = 0, data = null, language = '';
  function draw() {
    language = nowLanguage();
    box.replaceChildren(facts(data, circuit), bars(data.days), data.by_amps ? h('p', { class: 'small' }, t('use.by_amps')) : '', table(data));
  }
  async function fetchUse() {
    asked = performance.now();
    const now = Date.now();
    data = await get(`/circuits/${circuit.circuit}/energy?from=${((now - (DAYS - 1) * 86400000) / 1000).toFixed(0)}&to=${(now / 1000).toFixed(0)}`);
    data.days = data.days.slice(-DAYS);
    draw();
  }
  const again = () => fetchUse().catch((e) => box.replaceChildren(h('p', { class: 'small' }, faultSaid(e))));
  again();
  return {
    el: box,
    update() {
      if (performance.now() - asked > EVERY_MS) again();
      else if (data && language !== nowLanguage()) draw();
    },
  };
}
