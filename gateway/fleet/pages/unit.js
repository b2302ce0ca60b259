/* unit: one home: what stands, what opened, who is sent, and what its gateway says when it is asked. */
import { h, text, remake } from '/dom.js';
import { live, may } from '/live.js';
import { t, faultSaid, capital, dayClock, date, isSaid, nowLanguage } from '/say.js';
import { poll, ask, fetchOf, unitName, placeOf, lineOf, since, kindSaid, orderChip, newOrder, cautions, countChart, tripRow, tripHead, formOf, dayEnd, dayFrom, gatewayFault, exportLink, keyOf } from '/fleet-parts.js';
import { field } from '/login.js';
import { sheetOf, tripSheetOf } from '/unit-sheet.js';

/* ---- what stands ---- */

/* what to do is said by what it is; of a breaker that opened, by its service sheet, which knows what hangs on it */
function toDo(a) {
  if (a.kind === 'trip' && !a.circuit) return t('do.supply_outage');
  return a.kind === 'opened_again' ? t('do.again') : isSaid('todo.' + a.kind) ? t('todo.' + a.kind) : t('todo.other');
}

function alarmBox(a, u) {
  const english = nowLanguage() === 'en';
  const silent = ['shelved', 'suppressed', 'out_of_service'].includes(a.state);
  return h('li', { class: 'alarm ' + (silent || a.alert ? 'silenced' : a.priority) },
    h('header', {}, h('span', { class: 'tag-priority' }, t('priority.' + (a.alert ? 'alert' : a.priority))), h('span', {}, since(a.raised_at))),
    h('h3', {}, kindSaid(a.kind), a.circuit ? ' · ' + a.circuit : ''),
    /* the gateway's own sentences are English */
    a.text ? h('p', { lang: english ? null : 'en' }, a.text) : null,
    h('p', {}, (english && a.advice) || toDo(a)),
    h('p', { class: 'small' }, t('isa.' + a.state)),
    may('orders') && !a.alert ? h('p', {}, h('a', { class: 'do', href: newOrder(u.unit, a.circuit, 'alarm', a.alarm) }, t('order.new'))) : null);
}

function standing(u) {
  if (!u.alarms.length) return [h('p', { class: 'good' }, t('unit.nothing'))];
  return [h('ul', { class: 'alarm-list' }, u.alarms.map((a) => alarmBox(a, u))), cautions()];
}

/* ---- consent ---- */

const consentItem = (c) => h('li', {}, h('b', {}, c.tenant), ', ', c.how, h('span', { class: 'small' }, ' ' + t('consent.item', { from: date(c.from), until: date(c.until), by: c.by }), c.revoked_at ? ' ' + t('consent.revoked', { time: dayClock(c.revoked_at), by: c.revoked_by }) : ''));

function consentBox(u, again) {
  const tenant = field('consent.tenant', { maxlength: 100, required: true, autocomplete: 'off' }), how = field('consent.how', { maxlength: 200, required: true, autocomplete: 'off' });
  const until = field('consent.until', { type: 'date', required: true, min: dayFrom(0), max: dayFrom(365), value: dayFrom(90) });
  const path = `/units/${encodeURIComponent(u.unit)}`;
  const said = h('p', { class: 'answer', role: 'status' });
  return [h('p', {}, t(u.loads ? 'consent.given' : 'consent.none')),
    u.consents.length ? h('ul', { class: 'plain' }, u.consents.map(consentItem)) : null,
    u.loads ? h('p', {}, h('button', { onclick: () => ask(path + '/revoke', {}).then(again, (e) => text(said, faultSaid(e))) }, t('consent.revoke')), said) : null,
    h('details', { class: 'no-print' }, h('summary', {}, t('consent.new')), formOf([tenant.el, how.el, until.el], t('consent.keep'), () => ask(path + '/consent', { tenant: tenant.input.value.trim(), how: how.input.value.trim(), until: dayEnd(until.input.value) }), again))];
}

function placeForm(u, again) {
  const name = field('place.name', { maxlength: 60, required: true, value: u.name }), building = field('place.building', { maxlength: 60, value: u.building }), place = field('place.place', { maxlength: 60, value: u.place });
  return h('details', { class: 'no-print' }, h('summary', {}, t('place.title')), formOf([name.el, building.el, place.el], t('place.keep'), () => ask(`/units/${encodeURIComponent(u.unit)}/place`, { name: name.input.value.trim(), building: building.input.value.trim(), place: place.input.value.trim() }), again));
}

/* ---- the sheet, from the gateway ---- */

function sheetBox(unit, trip, came) {
  const box = h('div', { class: 'page' }), said = h('p', { class: 'answer', role: 'status' });
  const button = h('button', { class: 'main no-print', onclick: fetchIt }, t(trip ? 'ask.trip' : 'ask.now'));
  async function fetchIt() {
    button.disabled = true;
    text(said, t('ask.asking'));
    try {
      const d = await ask(`/units/${encodeURIComponent(unit)}/sheet` + (trip ? '?trip=' + encodeURIComponent(trip) : ''));
      text(said, '');
      box.replaceChildren(...(trip ? tripSheetOf(d.sheet) : sheetOf(d.sheet)));
      came?.();
    } catch (e) {
      text(said, gatewayFault(e));
    }
    button.disabled = false;
  }
  return [h('p', { class: 'small' }, t(trip ? 'ask.trip_note' : 'ask.note')), h('p', {}, button), said, box];
}

/* ---- the page ---- */

function body(u, chart, sheet, again) {
  const manages = may('orders');
  return [
    h('section', {}, h('h2', {}, t('unit.standing')), standing(u)),
    h('section', {}, h('h2', {}, t('nav.orders')), u.orders.length ? h('ul', { class: 'plain' }, u.orders.map((o) => h('li', {}, orderChip(o), ' ', o.title, o.due_at ? h('span', { class: 'small' }, ' ' + t('order.due_by', { time: date(o.due_at) })) : null))) : h('p', {}, t('order.none_here')),
      manages ? h('p', { class: 'no-print' }, h('a', { class: 'do', href: newOrder(u.unit) }, t('order.new'))) : null),
    h('section', {}, h('h2', {}, t('unit.trips')), chart, u.trips.length ? h('div', { class: 'scroll', tabindex: '0', role: 'group', 'aria-label': t('unit.trips') }, h('table', { class: 'list' }, tripHead(false), h('tbody', {}, u.trips.map((x) => tripRow({ ...x, unit: u.unit }, false))))) : null, h('p', { class: 'buttons no-print' }, exportLink('trips', '?unit=' + encodeURIComponent(u.unit)))),
    h('section', {}, h('h2', {}, t('unit.gateway')), h('p', {}, lineOf(u), u.health?.version ? ' · foretrip ' + u.health.version : ''), sheet),
    manages ? h('section', {}, h('h2', {}, t('consent.title')), consentBox(u, again)) : h('section', {}, h('p', { class: 'small' }, t('unit.job_note'))),
    manages ? h('section', {}, placeForm(u, again)) : null];
}

function unitView(root, id) {
  const head = h('div', {}), box = h('div', { class: 'page' }), said = h('p', { class: 'answer', role: 'alert' }), chart = h('div', {}), sheet = h('div', {}, sheetBox(id));
  root.replaceChildren(...(may('portfolio') ? [h('p', { class: 'crumb no-print' }, h('a', { href: '#/units' }, '◀ ' + t('nav.units')))] : []), head, said, box);
  let u = null, minute = 0;
  /* what somebody is about to say is not taken out of their hands */
  const isWriting = () => Boolean(box.querySelector('details[open] form'));
  const fill = () => {
    if (!u || isWriting()) return;
    remake(head, keyOf(u.name, u.building, u.place, u.online), () => [h('h1', { class: 'page-title' }, unitName(u)), h('p', { class: 'plate' }, [placeOf(u), u.unit].filter(Boolean).join(' · '))]);
    remake(box, keyOf(u, minute), () => body(u, chart, sheet, again));
  };
  const asked = poll('/units/' + encodeURIComponent(id), (x) => {
    text(said, '');
    u = x;
    const begin = Math.ceil(Date.now() / 86400000) * 86400000 - 364 * 86400000, DAY28 = 28 * 86400, counts = new Map();
    for (const trip of u.trips) {
      const at = begin + Math.floor((Date.parse(trip.opened_at) - begin) / (1000 * DAY28)) * 1000 * DAY28, key = at + ' ' + trip.cause;
      counts.set(key, { from: new Date(at).toISOString(), cause: trip.cause, count: (counts.get(key)?.count ?? 0) + 1 });
    }
    remake(chart, keyOf(u.trips), () => countChart({ from: new Date(begin).toISOString(), to: new Date(begin + 364 * 86400000).toISOString(), step: DAY28, counts: [...counts.values()] }, t('unit.trips')));
    fill();
  }, (e) => {
    text(said, faultSaid(e));
    if ([403, 404].includes(e.status)) { /* a job that is over shows nothing of before */
      u = null;
      head.replaceChildren(h('h1', { class: 'page-title' }, e.status === 403 ? t('unit.over') : t('unit.unknown')));
      box.replaceChildren();
      delete head.dataset.key;
    }
  });
  const again = () => {
    for (const x of box.querySelectorAll('details[open]')) x.open = false;
    asked.now();
  };
  return { title: t('nav.unit'), close: asked.stop, update: () => { minute = Math.floor(Date.now() / 60000); fill(); } };
}

/* ---- one opening, as the centre has it, and the whole from the gateway ---- */

function tripView(root, id, trip) {
  const box = h('article', { class: 'page' }), said = h('p', { class: 'answer', role: 'alert' });
  root.replaceChildren(h('p', { class: 'crumb no-print' }, h('a', { href: '#/unit/' + encodeURIComponent(id) }, '◀ ' + t('trip.back'))), said, box);
  fetchOf(`/units/${encodeURIComponent(id)}/trip?trip=${encodeURIComponent(trip)}`).then((d) => {
    const x = { restored_at: null, causes: { [d.trip.cause]: d.trip.probability }, ...d.trip };
    live.site = { name: x.name || id, circuits: [], panels: [] };
    const brief = tripSheetOf({ unit: live.site, trip: x, events: [] }, d.loads)[0];
    box.replaceChildren(brief,
      may('orders') ? h('p', { class: 'no-print' }, h('a', { class: 'do', href: newOrder(id, x.circuit, 'trip', trip) }, t('order.new'))) : '',
      h('section', {}, h('h2', {}, t('unit.gateway')), sheetBox(id, trip, () => brief.remove())));
  }, (e) => text(said, faultSaid(e)));
  return { title: t('sheet.title') };
}

export function view(root, id = '', what, trip) {
  return what === 'trip' && trip ? tripView(root, id, trip) : unitView(root, id);
}
