/* orders: work orders that stand, or all of them; a contractor sees the jobs that are theirs now. */
import { h, text, remake } from '/dom.js';
import { may } from '/live.js';
import { t, faultSaid, date, dayClock, number } from '/say.js';
import { poll, unitLink, placeOf, exportLink, keyOf } from '/fleet-parts.js';

const late = (o) => ['open', 'assigned'].includes(o.state) && ((o.due_at && Date.parse(o.due_at) < Date.now()) || (o.state === 'assigned' && Date.parse(o.until) < Date.now()));

const row = (o) => h('tr', { 'data-state': o.state, class: late(o) ? 'still' : '' },
  h('td', {}, h('a', { href: '#/order/' + o.order }, t('order.number', { n: o.order })), h('span', { class: 'small' }, t('order.' + o.state))),
  h('th', { scope: 'row' }, o.title, o.circuit ? h('span', { class: 'small' }, o.circuit) : null),
  h('td', {}, unitLink(o), h('span', { class: 'small' }, placeOf(o))),
  may('orders') ? h('td', {}, o.contractor_name || t('order.nobody'), o.until ? h('span', { class: 'small' }, t('alarms.until', { time: dayClock(o.until) })) : null) : null,
  h('td', { 'data-label': t('order.due') }, o.due_at ? date(o.due_at) : '–', late(o) ? h('span', { class: 'small' }, t('order.late')) : null));

export function view(root) {
  const box = h('div', {}), said = h('p', { class: 'answer', role: 'alert' }), manages = may('orders');
  const all = h('input', { type: 'checkbox', id: 'all', onchange: () => again() });
  let asked = null, d = null;
  const columns = ['number_head', 'title', 'unit', ...(manages ? ['contractor'] : []), 'due'];
  const fill = () => d && remake(box, keyOf(d), () => d.orders.length ? [h('div', { class: 'scroll', tabindex: '0', role: 'group', 'aria-label': t('nav.orders') }, h('table', { class: 'list' }, h('thead', {}, h('tr', {}, columns.map((k) => h('th', { scope: 'col' }, t('order.' + k))))), h('tbody', {}, d.orders.map(row)))), d.more ? h('p', { class: 'small' }, t('order.more', { n: number(d.orders.length, 0) })) : null] : [h('p', { class: 'good' }, t(manages ? 'order.none' : 'order.no_job'))]);
  function again() {
    asked?.stop();
    asked = poll('/orders' + (all.checked ? '?all=true' : ''), (x) => { text(said, ''); d = x; fill(); }, (e) => text(said, faultSaid(e)));
  }
  root.replaceChildren(h('h1', { class: 'page-title' }, t(manages ? 'nav.orders' : 'nav.jobs')), manages ? h('p', {}, h('label', { class: 'tick', for: 'all' }, all, ' ', t('order.all'))) : h('p', { class: 'small' }, t('order.jobs_note')), said, box, h('p', { class: 'buttons no-print' }, exportLink('orders')));
  again();
  return { title: t('nav.orders'), close: () => asked?.stop(), update: fill };
}
