/* trips: every breaker that opened, newest first. */
import { h, remake } from '/dom.js';
import { live } from '/live.js';
import { lostSupply } from '/phrases.js';
import { t, breaker, duration, dayClock, chance, circuitOf, panelOf, nowLanguage } from '/say.js';

export const openFor = (x) =>
  x.stage === 'withdrawn' ? t('trips.withdrawn') : x.restored_at ? duration(x.seconds_open) : t(lostSupply(x) ? 'trips.dark' : 'trips.still');

function row(x) {
  const withdrawn = x.stage === 'withdrawn';
  return h('tr', { class: withdrawn ? 'withdrawn' : x.restored_at ? '' : 'still' },
    h('td', {}, h('a', { href: '#/trip/' + x.trip }, h('time', { datetime: x.opened_at }, dayClock(x.opened_at)))),
    h('th', { scope: 'row' }, breaker(x.circuit), h('span', { class: 'small' }, panelOf(circuitOf(x.circuit)?.panel)?.name ?? '')),
    h('td', {}, t('cause.' + x.cause), h('span', { class: 'small' }, chance(x.causes?.[x.cause] ?? x.probability) + ' ' + t('trips.sure'))),
    h('td', {}, openFor(x), x.opened_again_after_seconds ? h('span', { class: 'small' }, t('sheet.again', { time: duration(x.opened_again_after_seconds) })) : null));
}

export function view(root) {
  const box = h('div', { class: 'scroll', tabindex: '0' });
  root.replaceChildren(h('h1', { class: 'page-title' }, t('trips.title')), box);
  return {
    title: t('trips.title'),
    update() {
      remake(box, nowLanguage() + JSON.stringify(live.trips.map((x) => [x.trip, x.seq, x.stage, x.cause, x.restored_at, x.opened_again_after_seconds])), () =>
        live.trips.length === 0
          ? h('p', {}, t('trips.none'))
          : h('table', { class: 'list' },
              h('thead', {}, h('tr', {}, ['when', 'what', 'why', 'open'].map((k) => h('th', { scope: 'col' }, t('trips.' + k))))),
              h('tbody', {}, live.trips.map(row))));
    },
  };
}
