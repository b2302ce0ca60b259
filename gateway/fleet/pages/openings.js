/* openings: trips in time, of all units or of one building. */
import { h, text, remake } from '/dom.js';
import { t, faultSaid, number } from '/say.js';
import { poll, fetchOf, countChart, tripRow, tripHead, exportLink, keyOf } from '/fleet-parts.js';

const SPANS = { month: [28, 1], quarter: [91, 7], year: [364, 7] };

export function view(root) {
  const chart = h('div', {}), list = h('div', {}), said = h('p', { class: 'answer', role: 'alert' }), links = h('p', { class: 'buttons no-print' });
  const building = h('select', { id: 'building', onchange: () => again() }, h('option', { value: '*' }, t('openings.everywhere')));
  const spans = h('div', { class: 'buttons', role: 'group', 'aria-label': t('openings.span') }, Object.keys(SPANS).map((k) => h('button', { 'data-span': k, 'aria-pressed': String(k === 'quarter'), onclick: () => { for (const b of spans.children) b.setAttribute('aria-pressed', String(b.dataset.span === k)); again(); } }, t('openings.' + k))));
  let asked = null;
  function again() {
    const [days, step] = SPANS[spans.querySelector('[aria-pressed=true]').dataset.span], DAY = 86400000;
    const to = Math.ceil(Date.now() / DAY) * DAY, query = `?from=${new Date(to - days * DAY).toISOString()}&to=${new Date(to).toISOString()}` + (building.value === '*' ? '' : '&building=' + encodeURIComponent(building.value));
    asked?.stop();
    asked = poll('/trips/counts' + query + '&step=' + step * 86400, async (d) => {
      remake(chart, keyOf(d), () => countChart(d, t('openings.title')));
      const trips = await fetchOf('/trips' + query).catch((e) => { text(said, faultSaid(e)); return null; });
      if (!trips) return;
      text(said, '');
      remake(list, keyOf(trips), () => trips.trips.length ? [h('div', { class: 'scroll', tabindex: '0', role: 'group', 'aria-label': t('openings.newest') }, h('table', { class: 'list' }, tripHead(true), h('tbody', {}, trips.trips.map((x) => tripRow(x, true))))), trips.more ? h('p', { class: 'small' }, t('openings.more', { n: number(trips.trips.length, 0) })) : null] : []);
    }, (e) => text(said, faultSaid(e)), 60);
    links.replaceChildren(exportLink('trips', query));
  }
  fetchOf('/buildings').then((d) => building.append(...d.buildings.map((b) => h('option', { value: b.building }, b.building || t('units.no_building'))))).catch(() => {});
  root.replaceChildren(h('h1', { class: 'page-title' }, t('openings.title')), h('div', { class: 'chart-tools' }, spans, h('p', { class: 'field' }, h('label', { for: 'building' }, t('openings.where')), building)), said, h('section', {}, chart), h('section', {}, h('h2', {}, t('openings.newest')), list), links);
  again();
  return { title: t('openings.title'), close: () => asked?.stop() };
}
