/* people: who may come in, codes for them, visits, and the log of who did what. Whoever may not see to others sees to
 * their own password here. */
import { h, text, show, remake } from '/dom.js';
import { live, get, post, may } from '/live.js';
import { t, isSaid, faultSaid, bySaid, breakerIn, circuitOf, duration, dayClock, moment, nowLanguage } from '/say.js';
import { field } from '/login.js';

const VISITS = [3600, 14400, 28800, 86400, 259200, 604800];
const PAGE = 25;

/* ---- oneself ---- */

function passwordForm() {
  const old = field('people.old', { type: 'password', autocomplete: 'current-password', required: true }), fresh = field('login.new', { type: 'password', autocomplete: 'new-password', required: true, minlength: 12 });
  const said = h('p', { class: 'answer', role: 'status' });
  return h('form', { class: 'entry', onsubmit: (e) => {
    e.preventDefault();
    post('/session/password', { old: old.input.value, password: fresh.input.value }).then(() => {
      text(said, t('people.changed'));
      old.input.value = fresh.input.value = '';
    }, (x) => text(said, faultSaid(x)));
  } }, old.el, fresh.el, h('p', { class: 'small' }, t('login.rules')), h('p', {}, h('button', { type: 'submit' }, t('people.change'))), said);
}

function oneself() {
  const s = live.session, visit = s.person.startsWith('visit-');
  return h('section', {}, h('h2', {}, s.name),
    h('p', {}, t('role.' + s.role) + ' · ' + t('people.until', { time: moment(s.until) })),
    visit ? null : h('details', {}, h('summary', {}, t('people.password')), passwordForm()),
    h('p', {}, h('button', { onclick: leave }, t('people.leave'))));
}

export function leave() {
  post('/session/end', {}).finally(() => location.reload());
}

/* ---- the others ---- */

/* a code is told once: large, to be read out or copied */
function codePlate(words, answer) {
  return h('div', { class: 'code-plate', role: 'status' }, h('p', {}, words), h('p', { class: 'code-said' }, answer.code), h('p', { class: 'small' }, t('people.code_once', { time: dayClock(answer.until) })));
}

function personRow(p, act) {
  const here = p.sessions ? t(p.sessions === 1 ? 'people.in_one' : 'people.in_many', { n: p.sessions, time: dayClock(p.seen_at) }) : t('people.not_in');
  const place = h('div', {});
  const invite = () => act(post(`/people/${p.person}/invite`, {}), (a) => place.replaceChildren(codePlate(t('people.code_for', { name: p.name, person: p.person }), a)));
  return h('tr', {}, h('th', { scope: 'row' }, p.name, h('span', { class: 'small' }, p.person)), h('td', {}, t('role.' + p.role)),
    h('td', { 'data-label': t('people.pass') }, t(p.password ? 'people.has' : 'people.has_not'), p.code_until ? h('span', { class: 'small' }, t('people.code_until', { time: dayClock(p.code_until) })) : null), h('td', { 'data-label': t('people.in') }, here),
    h('td', {}, h('div', { class: 'buttons' }, h('button', { class: 'quiet', onclick: invite }, t('people.invite')), p.sessions || p.code_until ? h('button', { class: 'quiet', onclick: () => act(post(`/people/${p.person}/end`, {})) }, t('people.end')) : null), place));
}

function visitForm(act) {
  const name = field('visits.name', { maxlength: 60, required: true }), seconds = h('select', { 'aria-label': t('alarms.for') }, VISITS.map((n) => h('option', { value: n, selected: n === 28800 }, duration(n)))), place = h('div', {});
  return h('form', { class: 'entry', onsubmit: (e) => {
    e.preventDefault();
    act(post('/visits', { name: name.input.value.trim(), seconds: Number(seconds.value) }), (a) => {
      place.replaceChildren(codePlate(t('visits.code_for', { name: name.input.value.trim() }), a));
      name.input.value = '';
    });
  } }, name.el, h('p', { class: 'field' }, h('label', {}, t('visits.lasts') + ' ', seconds)), h('p', {}, h('button', { type: 'submit' }, t('visits.make'))), place);
}

const visitItem = (v, act) => h('li', {}, h('b', {}, v.name), ' ', t('visits.item', { time: dayClock(v.until), by: bySaid(v.by) }), v.sessions ? ' · ' + t('visits.here') : '', ' ', h('button', { class: 'quiet', onclick: () => act(post(`/visits/${v.visit}/end`, {})) }, t('visits.end')));

/* ---- the log ---- */

/* what was refused is told by the gateway in English; how long somebody is locked out is a number */
function outcome(result) {
  if (!result) return t('audit.done');
  const locked = /locked for (\d+) s/.exec(result);
  if (nowLanguage() === 'en') return result;
  return t('audit.refused') + (locked ? ', ' + t('audit.locked', { time: duration(Number(locked[1])) }) : '');
}

/* an alarm's or a trip's id in words; a person stays who they are */
function subjectSaid(subject) {
  const alarm = /^(.+)\.(\w+)$/.exec(subject), trip = /^(.+)-\d{8}T\d{6}Z$/.exec(subject);
  if (alarm && isSaid('kind.' + alarm[2])) return t('kind.' + alarm[2]) + (circuitOf(alarm[1]) ? ', ' + breakerIn(alarm[1]) : '');
  return trip && circuitOf(trip[1]) ? breakerIn(trip[1]) : subject;
}

const auditRow = (r) => h('tr', {}, h('td', {}, h('time', { datetime: r.time }, moment(r.time))), h('th', { scope: 'row' }, r.who ? bySaid(r.who) : '?', h('span', { class: 'small' }, r.role ? t('role.' + r.role) : '')), h('td', {}, t('act.' + r.act), r.subject ? h('span', { class: 'small' }, subjectSaid(r.subject)) : null),
  h('td', { class: 'small' }, r.way.replace(/^page\b/, t('by.page'))), h('td', { class: 'small' }, outcome(r.result)));

function audit() {
  const body = h('tbody', {}), more = h('button', { hidden: true, onclick: () => fetchMore() }, t('audit.more')), none = h('p', { hidden: true }, t('audit.none'));
  let before = 0;
  async function fetchMore() {
    const d = await get(`/audit?most=${PAGE}` + (before ? `&before=${before}` : ''));
    body.append(...d.audit.map(auditRow));
    before = d.audit.at(-1)?.id ?? before;
    show(more, d.more);
    show(none, !body.children.length);
  }
  function again() {
    before = 0;
    body.replaceChildren();
    fetchMore().catch(() => {});
  }
  again();
  return { again, el: h('section', {}, h('h2', {}, t('audit.title')), none, h('div', { class: 'scroll', tabindex: '0', role: 'group', 'aria-label': t('audit.title') }, h('table', { class: 'list' }, h('thead', {}, h('tr', {}, ['when', 'who', 'what', 'way', 'how'].map((k) => h('th', { scope: 'col' }, t('audit.' + k))))), body)), h('p', {}, more)) };
}

export function view(root) {
  const s = live.session, parts = [];
  let update = () => {};
  if (s.person) parts.push(oneself());
  if (may('people')) {
    const log = audit(), rows = h('tbody', {}), visits = h('ul', { class: 'plain' }), said = h('p', { class: 'answer', role: 'alert' });
    let people = null;
    const fetchAll = () => get('/people').then((d) => { people = d; update(); });
    const act = (promise, done) => promise.then((a) => { text(said, ''); done?.(a); return fetchAll(); }, (x) => text(said, t('alarms.failed', { why: faultSaid(x) }))).then(log.again);
    update = () => {
      if (!people) return;
      remake(visits, nowLanguage() + JSON.stringify(people.visits), () => people.visits.map((v) => visitItem(v, act)));
      const key = nowLanguage() + JSON.stringify(people.people.map((p) => [p.person, p.password, p.sessions]));
      if (rows.dataset.key !== key && !rows.querySelector('.code-plate')) remake(rows, key, () => people.people.map((p) => personRow(p, act)));
    };
    if (s.login) {
      fetchAll().catch((x) => text(said, faultSaid(x)));
      parts.push(said, h('section', {}, h('h2', {}, t('people.title')), h('p', { class: 'small' }, t('people.note')), h('div', { class: 'scroll', tabindex: '0', role: 'group', 'aria-label': t('people.title') }, h('table', { class: 'list' }, h('thead', {}, h('tr', {}, ['name', 'role', 'pass', 'in', 'do'].map((k) => h('th', { scope: 'col' }, t('people.' + k))))), rows))),
        live.visits && h('section', {}, h('h2', {}, t('visits.title')), h('p', { class: 'small' }, t('visits.note')), visits, visitForm(act)));
    } else parts.push(h('p', {}, t('people.local')));
    parts.push(log.el);
  }
  root.replaceChildren(h('h1', { class: 'page-title' }, t(may('people') ? 'people.page' : 'people.me')), ...parts.filter(Boolean));
  return { title: t('people.title'), update: () => update() };
}
