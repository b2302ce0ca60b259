/* alarms: those that stand, with what can be done about each; those that were. */
import { h, text, show, remake } from '/dom.js';
import { live, get, post, may, watchEvents } from '/live.js';
import { alarmSaid, figureSaid, kindSaid } from '/phrases.js';
import { t, faultSaid, bySaid, breakerSaid, capital, breakerIn, circuitOf, dayClock, duration, nowLanguage } from '/say.js';

const URGENCY = { urgent: 0, high: 1, low: 2 };
const TIMES = [900, 3600, 14400, 86400, 604800];

const about = (a) => (a.circuit ? breakerIn(a.circuit) : live.site.panels.find((p) => p.panel === a.panel)?.name ?? a.meter ?? live.site.name);
const by = () => localStorage.getItem('by') || '';

function changed(a) {
  const values = { state: t('astate.' + a.state), by: bySaid(a.by), time: dayClock(a.time) };
  const why = a.suppressed_by ? ': ' + (circuitOf(a.suppressed_by) ? t('now.open', { breaker: breakerSaid(a.suppressed_by) }) : t('now.outage')) : a.note ? ': “' + a.note + '”' : '';
  return t(a.by ? 'alarms.changed_by' : 'alarms.changed', values) + why;
}

/* what needs a word of why, and shelving a time */
function askWhy(a, verb, close, answer) {
  const shelve = verb === 'shelve', path = verb === 'breaker-replaced' ? '/circuits/' + a.circuit : '/alarms/' + a.alarm;
  const seconds = h('select', { 'aria-label': t('alarms.for') }, TIMES.filter((n) => n <= 86400 || may('shelve_long')).map((n) => h('option', { value: n, selected: n === 3600 }, duration(n))));
  const note = h('input', { type: 'text', maxlength: 200, 'aria-label': t('alarms.note'), placeholder: t('alarms.note') });
  return h('form', { class: 'shelve', onsubmit: (e) => {
    e.preventDefault();
    answer(post(`${path}/${verb}`, { by: by() || 'page', note: note.value, ...(shelve ? { seconds: Number(seconds.value) } : {}) }));
  } }, shelve ? h('label', {}, t('alarms.for') + ' ', seconds) : h('p', { class: 'small' }, t('alarms.note_' + verb)), note, h('button', { type: 'submit' }, t('alarms.do_' + verb)), h('button', { type: 'button', onclick: close }, t('alarms.cancel')));
}

const OF_BREAKER = new Set(['worn_breaker', 'breaker_did_not_open']);
const SILENCED = new Set(['shelved', 'suppressed', 'out_of_service']);

function card(a) {
  const said = h('p', { class: 'answer small', role: 'status' }), place = h('div', {}), words = alarmSaid(a);
  const answer = (promise) => promise.then(() => text(said, t('alarms.done')), (e) => text(said, t('alarms.failed', { why: faultSaid(e) })));
  const now = (act, verb) => may(act) ? h('button', { onclick: () => answer(post(`/alarms/${a.alarm}/${verb}`, { by: by() || 'page' })) }, t('alarms.' + verb)) : null;
  const asked = (act, verb) => may(act) ? h('button', { onclick: () => {
    place.replaceChildren(askWhy(a, verb, () => place.replaceChildren(), answer));
    place.querySelector('select, input').focus();
  } }, t('alarms.' + verb)) : null;
  const out = a.state === 'out_of_service', shelved = a.state === 'shelved';
  return h('article', { class: 'alarm ' + a.priority + (SILENCED.has(a.state) ? ' silenced' : '') },
    h('header', {}, h('span', { class: 'tag-kind' }, kindSaid(a)), h('span', { class: 'tag-priority' }, t('priority.' + (a.alert ? 'alert' : a.priority)))),
    h('h2', {}, a.circuit ? h('a', { href: '#/circuit/' + a.circuit }, about(a)) : about(a)),
    h('p', { lang: words.textLang }, capital(words.what) + (words.why ? ' ' + capital(words.why) + '.' : '')),
    h('p', { class: 'small' }, t('alarms.raised', { time: dayClock(a.raised_at) }) + ' · ' + changed(a) + (a.until ? ' · ' + t('alarms.until', { time: dayClock(a.until) }) : '')),
    a.changed === 'advice' ? h('p', { class: 'anew' }, t('alarms.advice_changed')) : null,
    words.act ? h('details', { open: a.changed === 'advice' }, h('summary', {}, t('alarms.advice')), h('p', { lang: words.lang }, words.act)) : null,
    a.figures ? h('details', {}, h('summary', {}, t('alarms.detail')), h('dl', { class: 'figures' }, a.figures.map(figureSaid).map(([name, value, lang]) => h('div', {}, h('dt', {}, capital(name)), h('dd', { lang }, value))))) : null,
    h('div', { class: 'buttons' },
      (a.state === 'unacknowledged' && !a.alert) || a.state === 'returned_unacknowledged' ? now('acknowledge', 'acknowledge') : null,
      shelved ? now('acknowledge', 'unshelve') : null, out ? now('out_of_service', 'in-service') : null,
      OF_BREAKER.has(a.kind) ? asked('correct', 'breaker-replaced') : null,
      shelved || out ? null : asked('shelve', 'shelve'), out ? null : asked('out_of_service', 'out-of-service')),
    place, said);
}

export function view(root) {
  const list = h('div', { class: 'alarm-list' }), quiet = h('div', { class: 'alarm-list' }), quietHead = h('h2', {}, t('alarms.silenced')), none = h('p', { class: 'good' }, t('alarms.none')), past = h('div', { class: 'scroll', tabindex: '0', role: 'group', 'aria-label': t('alarms.history') });
  const who = h('input', { type: 'text', value: by(), maxlength: 60, autocomplete: 'name', oninput: (e) => localStorage.setItem('by', e.target.value.trim()) });
  root.replaceChildren(h('h1', { class: 'page-title' }, t('alarms.title')), live.session.person ? '' : h('p', {}, h('label', {}, t('alarms.by') + ' ', who)), none, list, quietHead, quiet, h('h2', {}, t('alarms.history')), past);
  let earlier = [];
  const fetchPast = () => get('/alarms?all=true').then((d) => { earlier = d.alarms.filter((a) => a.state === 'normal').slice(0, 100); update(); }, () => {});
  fetchPast();
  const stop = watchEvents((e) => e.type === 'alarm' && e.state === 'normal' && setTimeout(fetchPast, 300));
  const cards = new Map();
  const cardsOf = (alarms) => alarms.map((a) => {
    const key = nowLanguage() + a.alarm + a.seq;
    if (!cards.has(key)) cards.set(key, card(a));
    return cards.get(key);
  });
  function update() {
    const all = [...live.alarms.values()].sort((a, b) => URGENCY[a.priority] - URGENCY[b.priority] || (a.raised_at < b.raised_at ? 1 : -1));
    const stand = all.filter((a) => !SILENCED.has(a.state)), silenced = all.filter((a) => SILENCED.has(a.state));
    show(none, !stand.length);
    show(quietHead, silenced.length);
    remake(list, nowLanguage() + stand.map((a) => a.alarm + a.seq).join(), () => cardsOf(stand));
    remake(quiet, nowLanguage() + silenced.map((a) => a.alarm + a.seq).join(), () => cardsOf(silenced));
    remake(past, nowLanguage() + earlier.map((a) => a.seq).join(), () => earlier.length === 0 ? h('p', { class: 'small' }, t('alarms.history_none')) : h('table', { class: 'list' }, h('tbody', {}, earlier.map((a) =>
      h('tr', {}, h('td', {}, dayClock(a.raised_at)), h('th', { scope: 'row' }, about(a)), h('td', {}, kindSaid(a)), h('td', { class: 'small' }, changed(a)))))));
  }
  return { title: t('alarms.title'), update, close: stop };
}
