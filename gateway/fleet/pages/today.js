/* today: who needs somebody, the most pressing first; what befell many at once is one tag. */
import { h, text, remake } from '/dom.js';
import { may } from '/live.js';
import { t, number, faultSaid, capital, dayClock } from '/say.js';
import { poll, unitLink, placeOf, since, orderChip, newOrder, kindSaid, cautions, exportLink, keyOf } from '/fleet-parts.js';

const REASONS = ['urgent', 'open', 'high', 'worn_breaker', 'essential_load_silent', 'supply_outage', 'quiet', 'warning'];
const PRESSING = new Set(['urgent', 'open', 'high']);

function notice(n) {
  return h('section', { class: 'tag ' + (n.kind === 'quiet' ? 'low' : 'high') },
    h('header', {}, h('span', { class: 'tag-priority' }, t('notice.' + n.kind)), h('span', {}, n.ended_at ? t('notice.over', { time: dayClock(n.ended_at) }) : since(n.began_at))),
    h('h2', {}, t(n.units === 1 ? 'notice.one' : 'notice.many', { n: number(n.units, 0), what: t('notice.' + n.kind + '.what') })),
    n.unit ? h('p', {}, unitLink(n), n.text ? h('span', { class: 'small' }, n.text) : null) : null,
    h('p', { class: 'small' }, t('notice.' + n.kind + '.note')));
}

function row(n) {
  return h('li', { class: 'need', 'data-reason': n.reason },
    h('div', { class: 'need-unit' }, h('h3', {}, unitLink(n)), h('p', { class: 'small' }, placeOf(n) || n.unit)),
    h('p', { class: 'need-what' }, n.kind ? kindSaid(n.kind) : t('reason.' + n.reason), n.circuit ? [' · ', h('b', {}, n.circuit)] : null, n.text ? h('span', { class: 'small', lang: 'en' }, n.text) : null,
      n.others ? h('span', { class: 'small' }, t(n.others === 1 ? 'today.other' : 'today.others', { n: n.others })) : null),
    h('p', { class: 'need-when' }, since(n.since), n.state === 'acknowledged' ? h('span', { class: 'small' }, t('today.seen')) : null),
    h('p', { class: 'need-do' + (n.order ? '' : ' no-print') }, n.order ? orderChip(n.order) : may('orders') && n.reason !== 'supply_outage' ? h('a', { class: 'chip', href: newOrder(n.unit, n.circuit, n.kind ? 'alarm' : '', n.kind ? (n.circuit || n.unit) + '.' + n.kind : '') }, t('order.new')) : null));
}

function group(reason, needs, count) {
  return h('section', { class: 'needs', 'data-reason': reason }, h('h2', {}, capital(t('reason.' + reason)), ' ', h('span', { class: 'figure' }, number(count, 0))),
    h('p', { class: 'small' }, t('reason.' + reason + '.note')),
    h('ul', {}, needs.map(row)),
    count > needs.length ? h('p', { class: 'small' }, t('today.more', { n: number(count - needs.length, 0) })) : null);
}

function headline(d) {
  const now = REASONS.filter((r) => PRESSING.has(r)).reduce((n, r) => n + (d.counts[r] ?? 0), 0);
  const likely = ['worn_breaker', 'essential_load_silent', 'warning'].reduce((n, r) => n + (d.counts[r] ?? 0), 0);
  const what = now ? t(now === 1 ? 'today.one' : 'today.many', { n: number(now, 0) }) : likely ? t('today.likely', { n: number(likely, 0) }) : t('today.nobody');
  return h('div', { class: 'now-box' }, h('h1', { class: 'now', 'data-tone': (d.counts.urgent ?? 0) ? 'urgent' : now ? 'high' : likely ? 'low' : '' }, what),
    h('p', { class: 'small' }, t('today.sums', { units: number(d.sums.units, 0), online: number(d.sums.online, 0), quiet: number(d.sums.quiet, 0) }), d.sums.gaps ? ' ' + t('today.gaps', { n: number(d.sums.gaps, 0) }) : ''));
}

function all(d) {
  const groups = REASONS.map((r) => [r, d.needs.filter((n) => n.reason === r), d.counts[r] ?? 0]).filter(([, , count]) => count);
  return [headline(d),
    d.notices.length ? h('div', { class: 'tags' }, d.notices.map(notice)) : null,
    d.sums.units === 0 ? h('p', {}, t('today.empty')) : null,
    groups.map(([r, needs, count]) => group(r, needs, count)),
    h('p', { class: 'buttons no-print' }, exportLink('alarms'), h('button', { onclick: () => window.print() }, t('sheet.print'))),
    cautions()];
}

export function view(root) {
  const box = h('div', { class: 'page' }), said = h('p', { class: 'answer', role: 'alert' });
  root.replaceChildren(said, box);
  let d = null, minute = 0;
  const fill = () => d && remake(box, keyOf(d, minute), () => all(d));
  const asked = poll('/portfolio', (x) => { text(said, ''); d = x; fill(); }, (e) => text(said, faultSaid(e)));
  return { title: t('nav.today'), close: asked.stop, update: () => { minute = Math.floor(Date.now() / 60000); fill(); } };
}
