/* unit-sheet: what a unit's gateway answered, as a sheet that prints: how every circuit stands, what opened, what
 * stands; and the whole of one opening, by the gateway's own service sheet. */
import { h } from '/dom.js';
import { live } from '/live.js';
import { t, amps, rating, percent, dayClock, moment, duration, appliance } from '/say.js';
import { lostSupply } from '/phrases.js';
import { kindSaid, causeSaid, cautions } from '/fleet-parts.js';
import { sheet } from '/trip.js';

const STATES = ['closed', 'open', 'off', 'unknown', 'none'];

/* dark: it lost its supply, and has not opened itself */
function circuitRow(state, circuit, discreet, dark) {
  const said = dark && state?.state === 'open' ? t('state.dark') : STATES.includes(state?.state) ? t('state.' + state.state) : state?.state ?? '–';
  return h('tr', { class: state?.state === 'open' ? 'still' : '' }, h('th', { scope: 'row' }, [circuit.position, circuit.name].filter(Boolean).join(' '), h('span', { class: 'small' }, circuit.circuit)),
    h('td', {}, said), h('td', { 'data-label': t('usheet.breaker') }, rating(circuit.rating_amps)),
    discreet ? null : h('td', { 'data-label': t('usheet.now') }, Number.isFinite(state?.amps) ? amps(state.amps) : '–', state?.loads?.length ? h('span', { class: 'small' }, state.loads.map((l) => appliance(l)).join(', ')) : null),
    h('td', { 'data-label': t('usheet.heat') }, Number.isFinite(state?.heat) ? percent(state.heat) : '–'));
}

export function sheetOf(d) {
  const states = new Map((d.circuits ?? []).filter(Boolean).map((c) => [c.circuit, c]));
  const circuits = d.unit?.circuits ?? [...states.values()];
  const dark = new Set((d.trips ?? []).filter((x) => !x.restored_at && lostSupply(x)).map((x) => x.circuit));
  const columns = ['circuit', 'state', 'breaker', ...(d.discreet ? [] : ['now']), 'heat'];
  return [h('article', { class: 'sheet' },
    h('header', { class: 'sheet-head' }, h('div', {}, h('p', { class: 'kind' }, t('usheet.title')), h('p', {}, d.unit?.name ?? '')), h('button', { class: 'no-print', onclick: () => window.print() }, t('sheet.print'))),
    h('p', { class: 'small' }, t('usheet.asked', { time: moment(d.time) }), d.discreet ? ' ' + t('usheet.discreet') : ''),
    h('div', { class: 'block scroll', tabindex: '0', role: 'group', 'aria-label': t('usheet.title') }, h('table', { class: 'list' }, h('thead', {}, h('tr', {}, columns.map((k) => h('th', { scope: 'col' }, t('usheet.' + k))))), h('tbody', {}, circuits.map((c) => circuitRow(states.get(c.circuit), c, d.discreet, dark.has(c.circuit)))))),
    h('section', { class: 'block' }, h('h2', {}, t('alarms.standing')), d.alarms?.length ? h('ul', { class: 'plain' }, d.alarms.map((a) => h('li', {}, kindSaid(a.kind), a.circuit ? ' · ' + a.circuit : '', h('span', { class: 'small' }, ' ' + dayClock(a.raised_at))))) : h('p', {}, t('alarms.none'))),
    h('section', { class: 'block' }, h('h2', {}, t('trips.title')), d.trips?.length ? h('ul', { class: 'plain' }, d.trips.map((x) => h('li', {}, dayClock(x.opened_at), ' · ', x.circuit, ' · ', causeSaid(x.cause), h('span', { class: 'small' }, ' ' + (x.restored_at ? t('sheet.restored_after', { time: dayClock(x.restored_at), seconds: duration(x.seconds_open) }) : t(lostSupply(x) ? 'trips.dark' : 'trips.still')))))) : h('p', {}, t('trips.none'))),
    cautions())];
}

/* loads: whether what was on may be shown; said: nothing was asked of the gateway yet */
export function tripSheetOf(d, loads = !d.discreet) {
  if (!d.trip) return [h('p', { role: 'alert' }, t('usheet.no_trip'))];
  live.site = { name: d.unit?.name ?? '', circuits: d.unit?.circuits ?? [], panels: d.unit?.panels ?? [] };
  return [h('article', { class: 'sheet' }, sheet({ causes: {}, loads: [], ...d.trip }, d.events ?? [], null, { loads }))];
}
