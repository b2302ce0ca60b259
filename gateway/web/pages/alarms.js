/* alarms: those that stand, with what can be done about each; those that were. */
import { h, text, show, remake } from '/dom.js';
import { live, get, post, watchEvents } from '/live.js';
import { sentenceOfAlarm } from '/panel.js';
import { t, capital, breakerIn, dayClock, duration, nowLanguage } from '/say.js';

const URGENCY = { urgent: 0, high: 1, low: 2 };
const TIMES = [900, 3600, 14400, 86400, 604800];

const about = (a) => (a.circuit ? breakerIn(a.circuit) : live.site.panels.find((p) => p.panel === a.panel)?.name ?? a.meter ?? live.site.name);
const by = () => localStorage.getItem('by') || '';

function changed(a) {
  const values = { state: t('astate.' + a.state), by: a.by, time: dayClock(a.time) };
  return t(a.by ? 'alarms.changed_by' : 'alarms.changed', values) + (a.note ? ': “' + a.note + '”' : '');
}

function shelveForm(a, answer, close) {
  const seconds = h('select', { 'aria-label': t('alarms.for') }, TIMES.map((n) => h('option', { value: n, selected: n === 3600 }, duration(n))));
  const note = h('input', { type: 'text', maxlength: 200, 'aria-label': t('alarms.note'), placeholder: t('alarms.note') });
  const form = h('form', { class: 'shelve', onsubmit: (e) => {
    e.preventDefault();
    answer(post(`/alarms/${a.alarm}/shelve`, { by: by() || 'page', seconds: Number(seconds.value), note: note.value }));
  } }, h('label', {}, t('alarms.for') + ' ', seconds), note, h('button', { type: 'submit' }, t('alarms.do_shelve')), h('button', { type: 'button', onclick: close }, t('alarms.cancel')));
  return form;
}

function card(a) {
  const said = h('p', { class: 'answer small', role: 'status' });
  const place = h('div', {});
  const answer = (promise) => promise.then(() => text(said, t('alarms.done')), (e) => text(said, t('alarms.failed', { why: e.message })));
  const can = a.state === 'unacknowledged' || a.state === 'returned_unacknowledged';
  const english = nowLanguage() === 'en';
  return h('article', { class: 'alarm ' + a.priority },
    h('header', {}, h('span', { class: 'tag-kind' }, t('kind.' + a.kind)), h('span', { class: 'tag-priority' }, t('priority.' + a.priority))),
    h('h2', {}, a.circuit ? h('a', { href: '#/circuit/' + a.circuit }, about(a)) : about(a)),
    h('p', {}, english ? a.text : capital(sentenceOfAlarm(a))),
    h('p', { class: 'small' }, t('alarms.raised', { time: dayClock(a.raised_at) }) + ' · ' + changed(a)),
    a.advice ? h('details', {}, h('summary', {}, t('alarms.advice')), h('p', { lang: 'en' }, a.advice)) : null,
    a.detail ? h('details', {}, h('summary', {}, t('alarms.detail')), h('p', { lang: 'en' }, a.detail)) : null,
    h('div', { class: 'buttons' },
      can ? h('button', { onclick: () => answer(post(`/alarms/${a.alarm}/acknowledge`, { by: by() || 'page' })) }, t('alarms.ack')) : null,
      a.state !== 'shelved' ? h('button', { onclick: () => {
        const form = shelveForm(a, answer, () => place.replaceChildren());
        place.replaceChildren(form);
        form.querySelector('select').focus();
      } }, t('alarms.shelve')) : null),
    place, said);
}

export function view(root) {
  const list = h('div', { class: 'alarm-list' }), none = h('p', { class: 'good' }, t('alarms.none')), past = h('div', { class: 'scroll', tabindex: '0' });
  const who = h('input', { type: 'text', value: by(), maxlength: 60, autocomplete: 'name', oninput: (e) => localStorage.setItem('by', e.target.value.trim()) });
  root.replaceChildren(h('h1', { class: 'page-title' }, t('alarms.title')), h('p', {}, h('label', {}, t('alarms.by') + ' ', who)), none, list, h('h2', {}, t('alarms.history')), past);
  let earlier = [];
  const fetchPast = () => get('/alarms?all=true').then((d) => { earlier = d.alarms.filter((a) => a.state === 'normal').slice(0, 100); update(); }, () => {});
  fetchPast();
  const stop = watchEvents((e) => e.type === 'alarm' && e.state === 'normal' && setTimeout(fetchPast, 300));
  const cards = new Map();
  function update() {
    const stand = [...live.alarms.values()].sort((a, b) => URGENCY[a.priority] - URGENCY[b.priority] || (a.raised_at < b.raised_at ? 1 : -1));
    show(none, !stand.length);
    remake(list, nowLanguage() + stand.map((a) => a.alarm + a.seq).join(), () => stand.map((a) => {
      const key = nowLanguage() + a.alarm + a.seq;
      if (!cards.has(key)) cards.set(key, card(a));
      return cards.get(key);
    }));
    remake(past, nowLanguage() + earlier.map((a) => a.seq).join(), () => h('table', { class: 'list' }, h('tbody', {}, earlier.map((a) =>
      h('tr', {}, h('td', {}, dayClock(a.raised_at)), h('th', { scope: 'row' }, about(a)), h('td', {}, t('kind.' + a.kind)), h('td', { class: 'small' }, changed(a)))))));
  }
  return { title: t('alarms.title'), update, close: stop };
}
