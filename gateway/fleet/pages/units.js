/* units: by building; one found by a word of its name. */
import { h, text, remake } from '/dom.js';
import { t, number, faultSaid } from '/say.js';
import { poll, fetchOf, unitLink, lineOf, orderChip, exportLink, ago, keyOf } from '/fleet-parts.js';

const worst = (u) => (u.urgent ? 'urgent' : u.high ? 'high' : u.low ? 'low' : '');
const standing = (u) => [['urgent', u.urgent], ['high', u.high], ['low', u.low]].filter(([, n]) => n).map(([k, n]) => number(n, 0) + ' ' + t('priority.' + k)).join(', ') || t('units.nothing');

function unitRow(u) {
  return h('tr', { 'data-worst': worst(u) }, h('th', { scope: 'row' }, unitLink(u), h('span', { class: 'small' }, [u.place, u.unit].filter(Boolean).join(' · '))),
    h('td', {}, standing(u)), h('td', { 'data-label': t('units.trips') }, number(u.trips, 0), u.last_trip_at ? h('span', { class: 'small' }, t('units.last', { time: ago(u.last_trip_at) })) : null),
    h('td', {}, lineOf(u)), h('td', {}, u.order ? orderChip(u.order) : null));
}

function table(units, more) {
  if (!units.length) return [h('p', {}, t('units.none'))];
  return [h('div', { class: 'scroll', tabindex: '0', role: 'group', 'aria-label': t('nav.units') }, h('table', { class: 'list' }, h('thead', {}, h('tr', {}, ['unit', 'standing', 'trips', 'line', 'order'].map((k) => h('th', { scope: 'col' }, t('units.' + k))))), h('tbody', {}, units.map(unitRow)))),
    more ? h('p', { class: 'small' }, t('units.more', { n: number(units.length, 0) })) : null];
}

function buildingBox(b) {
  const place = h('div', {});
  let there = false;
  return h('details', { class: 'building', 'data-worst': worst(b), ontoggle: async (e) => {
    if (!e.target.open || there) return;
    there = true;
    try {
      const d = await fetchOf('/units?building=' + encodeURIComponent(b.building));
      place.replaceChildren(...table(d.units, d.more).filter(Boolean));
    } catch (x) {
      there = false;
      place.replaceChildren(h('p', { role: 'alert' }, faultSaid(x)));
    }
  } }, h('summary', {}, h('span', { class: 'building-name' }, b.building || t('units.no_building')),
    h('span', { class: 'small' }, t(b.units === 1 ? 'units.one' : 'units.of', { n: number(b.units, 0), online: number(b.online, 0) }), b.quiet ? ', ' + t('units.quiet', { n: number(b.quiet, 0) }) : '', ' · ', standing(b), ' · ', t(b.trips === 1 ? 'units.trip_of' : 'units.trips_of', { n: number(b.trips, 0) }))), place);
}

export function view(root) {
  const list = h('div', { class: 'buildings' }), found = h('div', {}), said = h('p', { class: 'answer', role: 'alert' });
  const words = h('input', { id: 'find', type: 'search', autocomplete: 'off', maxlength: 100 });
  let timer = null, d = null;
  async function find() {
    const w = words.value.trim();
    list.hidden = Boolean(w);
    if (!w) return found.replaceChildren();
    try {
      const x = await fetchOf('/units?words=' + encodeURIComponent(w));
      if (w === words.value.trim()) found.replaceChildren(...table(x.units, x.more).filter(Boolean));
    } catch (e) {
      found.replaceChildren(h('p', { role: 'alert' }, faultSaid(e)));
    }
  }
  words.addEventListener('input', () => { clearTimeout(timer); timer = setTimeout(find, 250); });
  root.replaceChildren(h('h1', { class: 'page-title' }, t('nav.units')), h('p', { class: 'field find' }, h('label', { for: 'find' }, t('units.find')), words), h('p', { class: 'buttons no-print' }, exportLink('units')), said, found, list);
  const fill = () => d && !list.querySelector('details[open]') && remake(list, keyOf(d), () => d.buildings.length ? d.buildings.map(buildingBox) : [h('p', {}, t('today.empty'))]);
  const asked = poll('/buildings', (x) => { text(said, ''); d = x; fill(); if (x.buildings.length === 1) list.querySelector('details').open = true; }, (e) => text(said, faultSaid(e)), 60);
  return { title: t('nav.units'), close: asked.stop, update: fill };
}
