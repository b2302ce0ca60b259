/* new-order: a work order, made from a unit, a trip or an alarm. */
import { h, text } from '/dom.js';
import { t } from '/say.js';
import { ask, fetchOf, unitName, formOf, dayEnd, dayFrom, cautions, kindSaid } from '/fleet-parts.js';
import { field } from '/login.js';

export function view(root, unit = '', circuit = '-', what = '-', id = '-') {
  const where = circuit === '-' ? '' : circuit, kind = what === 'alarm' ? /\.(\w+)$/.exec(id)?.[1] : what === 'trip' ? 'trip' : '';
  const title = field('order.title', { maxlength: 200, required: true, autocapitalize: 'sentences', spellcheck: 'true', value: kind ? kindSaid(kind) + (where ? ', ' + where : '') : '' });
  const due = field('order.due', { type: 'date', min: dayFrom(0), value: dayFrom(7) });
  const plate = h('p', { class: 'plate' }, [unit, where].filter(Boolean).join(' · '));
  fetchOf('/units/' + encodeURIComponent(unit)).then((u) => text(plate, [unitName(u), where].filter(Boolean).join(' · ')), () => {});
  const note = h('textarea', { id: 'order-note', rows: 4, maxlength: 1000 });
  root.replaceChildren(h('p', { class: 'crumb' }, h('a', { href: '#/unit/' + encodeURIComponent(unit) }, '◀ ' + t('trip.back'))), h('h1', { class: 'page-title' }, t('order.new')), plate,
    formOf([title.el, due.el, h('p', { class: 'field' }, h('label', { for: 'order-note' }, t('order.note_make')), note)], t('order.make'),
      () => ask('/orders', { unit, title: title.input.value.trim(), circuit: where, trip: what === 'trip' ? id : '', alarm: what === 'alarm' ? id : '', note: note.value.trim(), due: dayEnd(due.input.value) }),
      (a) => { location.hash = '#/order/' + a.order; }), cautions());
  return { title: t('order.new') };
}
