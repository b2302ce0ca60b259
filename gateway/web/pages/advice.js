/* advice: what would have kept breakers from opening in the last months, by the record played again. */
import { h } from '/dom.js';
import { live, get, may } from '/live.js';
import { t, addWords, amps, number, chance, appliance, breakerSaid, breaker, panelOf, date, dayClock, faultSaid, nowLanguage } from '/say.js';
import * as words from '/study-words.js';

addWords(words);

function load(a) {
  const l = a.load, near = l.most_amps - l.least_amps < 0.5;
  const words = near ? t('advice.load', { amps: amps(l.usual_amps) }) : t('advice.load_range', { least: amps(l.least_amps), most: amps(l.most_amps) });
  return l.appliance === 'unknown' ? words : words + ' ' + t('advice.taken', { appliance: appliance(l) });
}

const sentences = {
  move: (a) => [t('advice.move_text', { load: load(a), to: breakerSaid(a.to), from: breakerSaid(a.circuit) }), t('advice.resident')],
  dedicated: (a) => [t('advice.dedicated_text', { load: load(a), from: breakerSaid(a.circuit) }), a.too_large ? t('advice.too_large') : '', t('advice.electrician')],
  test: (a) => [t('advice.test_text', { from: breakerSaid(a.circuit), chance: chance(a.worn_chance) }), t('advice.electrician')],
};

function worth(a) {
  const trips = t(a.kind === 'test' ? 'advice.held' : 'advice.trips', { avoided: a.trips.avoided, before: a.trips.before });
  return [a.trips.before ? trips : '', a.kind === 'move' ? t('advice.added', { added: number(a.trips.added, 2) }) : '', a.warnings ? t('advice.warnings', a.warnings) : '', a.to_warnings ? t('advice.to_warnings', a.to_warnings) : ''].filter(Boolean).join(' ');
}

/* "main-07-20260101T061502Z": when it opened */
const opened = (id) => Date.parse(id.slice(-16).replace(/^(\d{4})(\d\d)(\d\d)T(\d\d)(\d\d)(\d\d)Z$/, '$1-$2-$3T$4:$5:$6Z'));

function one(a) {
  return h('section', { class: 'block advice', 'data-kind': a.kind }, h('h2', {}, t('advice.' + a.kind)), h('p', {}, sentences[a.kind](a).filter(Boolean).join(' ')), h('p', {}, h('b', {}, worth(a))),
    a.avoided.length ? h('details', { class: 'no-print' }, h('summary', {}, t('advice.which')), h('ul', { class: 'plain' }, a.avoided.map((id) => h('li', {}, h('a', { href: '#/trip/' + id }, dayClock(opened(id))))))) : null);
}

function legs(b) {
  const values = { neutral_before: amps(b.neutral_before_amps), neutral_after: amps(b.neutral_after_amps), worse_before: amps(b.worse_before_amps), worse_after: amps(b.worse_after_amps), uneven_before: b.uneven_before, uneven_after: b.uneven_after, quarters: number(b.quarters, 0) };
  return h('section', { class: 'block advice', 'data-kind': 'balance' }, h('h2', {}, t('advice.balance', { panel: panelOf(b.panel)?.name ?? b.panel })),
    b.moves.length ? h('ul', { class: 'plain' }, b.moves.map((m) => h('li', {}, t('advice.leg', { breaker: breaker(m.circuit), from: m.from, to: m.to })))) : h('p', {}, t('advice.legs_best')),
    h('p', {}, t('advice.legs_numbers', values), b.moves.length ? ' ' + t('advice.electrician') : ''));
}

function sheet(d) {
  return h('article', { class: 'sheet' },
    h('header', { class: 'sheet-head' }, h('div', {}, h('p', { class: 'kind' }, t('advice.title')), h('p', {}, live.site.name + ', ' + t('study.record', { from: date(d.from), to: date(d.to) }))), h('button', { class: 'no-print', onclick: () => window.print() }, t('study.print'))),
    d.advice.length ? d.advice.map(one) : h('p', {}, t('advice.none')), d.balance.map(legs), h('p', { class: 'small' }, t('advice.caution')));
}

export function view(root) {
  const box = h('div', { 'aria-live': 'polite' });
  let data = null, language = nowLanguage(), closed = false;
  const build = () => root.replaceChildren(h('h1', { class: 'page-title no-print' }, t('advice.title')), box);
  build();
  if (may('see_loads')) {
    box.replaceChildren(h('p', { class: 'wait' }, t('advice.wait')));
    get('/advice').then((d) => { data = d; if (!closed) box.replaceChildren(sheet(d)); }, (e) => { if (!closed) box.replaceChildren(h('p', {}, faultSaid(e))); });
  } else {
    box.replaceChildren(h('p', {}, t('advice.hidden')));
  }
  return {
    title: t('advice.title'),
    update() {
      if (language === nowLanguage()) return;
      language = nowLanguage();
      build();
      if (data) box.replaceChildren(sheet(data));
    },
    close() { closed = true; },
  };
}
