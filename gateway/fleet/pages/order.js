/* order: one work order: what is to be done, who goes, what was done, and the unit's sheet that goes along. */
import { h, text, remake } from '/dom.js';
import { may } from '/live.js';
import { t, faultSaid, date, dayClock, isSaid } from '/say.js';
import { poll, ask, fetchOf, unitLink, placeOf, formOf, dayEnd, dayFrom, gatewayFault, cautions, keyOf } from '/fleet-parts.js';
import { field } from '/login.js';
import { sheetOf, tripSheetOf } from '/unit-sheet.js';

const row = (label, ...value) => h('div', { class: 'fact' }, h('dt', {}, t(label)), h('dd', {}, value));

const told = (x) => h('li', {}, h('time', { datetime: x.time }, dayClock(x.time)), ' ', t('order.act.' + x.act, { contractor: x.contractor }), h('span', { class: 'small' }, ' ' + (x.who === 'page' ? t('by.page') : x.who) + (x.role && isSaid('role.' + x.role) ? ', ' + t('role.' + x.role) : '')), x.note ? h('p', { class: 'note' }, x.note) : null);

function assignForm(o, contractors, again) {
  if (!contractors.length) return [h('p', {}, t('order.no_contractor'))];
  const whom = h('select', { id: 'whom', required: true }, contractors.map((c) => h('option', { value: c.person, selected: c.person === o.contractor }, c.name)));
  const until = field('order.until', { type: 'date', required: true, min: dayFrom(0), max: dayFrom(59), value: o.due_at && Date.parse(o.due_at) > Date.now() ? o.due_at.slice(0, 10) : dayFrom(7) });
  return [h('p', { class: 'small' }, t('order.assign_note')), formOf([h('p', { class: 'field' }, h('label', { for: 'whom' }, t('order.contractor')), whom), until.el], t('order.do_assign'), () => ask(`/orders/${o.order}/assign`, { contractor: whom.value, until: dayEnd(until.input.value) }), again)];
}

function stepForm(o, act, again, needed) {
  const note = h('textarea', { id: 'note-' + act, rows: 3, maxlength: 1000, required: needed });
  return formOf([h('p', { class: 'field' }, h('label', { for: 'note-' + act }, t('order.note_' + act)), note)], t('order.do_' + act), () => ask(`/orders/${o.order}/${act}`, { note: note.value.trim() }), again);
}

const fold = (label, ...inside) => h('details', { class: 'no-print' }, h('summary', {}, t(label)), inside);

function todo(o, contractors, again) {
  const stands = ['open', 'assigned'].includes(o.state), manages = may('orders');
  return h('section', { class: 'no-print' }, h('h2', {}, t('order.what')),
    stands && manages ? fold(o.state === 'assigned' ? 'order.assign_other' : 'order.assign', assignForm(o, contractors, again)) : null,
    stands ? fold('order.finish', stepForm(o, 'done', again, true)) : null,
    fold('order.add_note', stepForm(o, 'note', again, true)),
    stands && manages ? fold('order.cancel', stepForm(o, 'cancel', again)) : null,
    !stands && manages ? fold('order.reopen', stepForm(o, 'reopen', again)) : null);
}

function sheetPart(o, again) {
  const said = h('p', { class: 'answer', role: 'status' });
  const attach = async (e) => {
    e.target.disabled = true;
    text(said, t('ask.asking'));
    await ask(`/orders/${o.order}/attach`, {}).then(again, (x) => text(said, gatewayFault(x)));
    e.target.disabled = false;
  };
  const stands = ['open', 'assigned'].includes(o.state);
  return h('section', {}, h('h2', {}, t('order.sheet')),
    h('p', { class: 'small' }, o.sheet ? t('order.sheet_at', { time: dayClock(o.sheet_at) }) : t(o.sheet_withheld ? 'order.sheet_withheld' : 'order.sheet_none')),
    may('orders') && stands ? h('p', { class: 'no-print' }, h('button', { onclick: attach }, t(o.sheet ? 'order.sheet_again' : 'order.sheet_attach'))) : null, said,
    o.sheet ? [sheetOf(o.sheet), o.sheet.trip ? tripSheetOf(o.sheet) : null] : null);
}

function body(o, contractors, again) {
  return [h('header', {}, h('h1', { class: 'page-title' }, o.title), h('p', { class: 'plate' }, t('order.number', { n: o.order }), ' · ', t('order.' + o.state))),
    h('dl', { class: 'facts' }, row('openings.unit', unitLink(o)), row('order.place', placeOf(o) || o.unit), o.circuit ? row('trips.what', o.circuit) : null,
      o.trip ? row('order.trip', h('a', { href: `#/unit/${encodeURIComponent(o.unit)}/trip/${encodeURIComponent(o.trip)}` }, t('order.trip_link'))) : null,
      row('order.contractor', o.contractor_name || t('order.nobody')), o.until ? row('order.until', dayClock(o.until)) : null, row('order.due', o.due_at ? date(o.due_at) : '–'), row('order.made', dayClock(o.made_at))),
    cautions(),
    todo(o, contractors, again),
    h('section', {}, h('h2', {}, t('order.history')), h('ol', { class: 'happened' }, o.history.map(told))),
    sheetPart(o, again),
    h('p', { class: 'buttons no-print' }, h('button', { onclick: () => window.print() }, t('sheet.print')))];
}

export function view(root, id = '') {
  const box = h('div', { class: 'page' }), said = h('p', { class: 'answer', role: 'alert' });
  root.replaceChildren(h('p', { class: 'crumb no-print' }, h('a', { href: '#/orders' }, '◀ ' + t(may('orders') ? 'nav.orders' : 'nav.jobs'))), said, box);
  let o = null, contractors = [];
  const fill = () => o && !box.querySelector('details[open] form') && remake(box, keyOf(o, contractors), () => body(o, contractors, again));
  const asked = poll('/orders/' + encodeURIComponent(id), (x) => { text(said, ''); o = x; fill(); }, (e) => {
    text(said, faultSaid(e));
    if ([403, 404].includes(e.status)) { /* a job that is over shows nothing of before */
      o = null;
      delete box.dataset.key;
      box.replaceChildren(h('h1', { class: 'page-title' }, t(e.status === 403 ? 'order.over' : 'order.unknown')));
    }
  });
  const again = () => {
    for (const x of box.querySelectorAll('details[open]')) x.open = false;
    asked.now();
  };
  if (may('orders')) fetchOf('/contractors').then((d) => { contractors = d.contractors; fill(); }).catch(() => {});
  return { title: t('nav.order'), close: asked.stop, update: () => fill() };
}
