/* directory: the card for the panel's door, what does not agree, and who changed what. NEC 408.4(A) asks that each
 * position be told clearly, evidently and specifically. A panel prints on one page. */
import { h, text, remake } from '/dom.js';
import { live, get, post, may } from '/live.js';
import { t, rating, breakerIn, panelOf, date, moment, nowLanguage } from '/say.js';
import { twoColumns, places } from '/door.js';
import { field } from '/login.js';

const PAGE = 25;

const saidPlace = (p) => p.place + (p.part ? ` (${t('trace.part.' + p.part)})` : '');
const once = (list) => [...new Set(list)];

/* ---- the card ---- */

function words(line) {
  if (line.state === 'space') return h('span', { class: 'card-none' }, t('panel.empty'));
  const where = once(line.places.map(saidPlace)), what = line.loads.map((l) => l.load);
  return h('span', { class: 'card-words' }, h('b', {}, line.purpose || t('directory.unidentified')), line.state === 'spare' && !/spare|reserva/i.test(line.purpose) ? ` (${t('directory.spare')})` : '',
    where.length ? h('span', { class: 'card-places' }, where.join(' · ')) : null, what.length ? h('span', { class: 'card-loads' }, t('directory.seen', { list: what.join(', ') })) : null);
}

const cell = (line, props) => h('div', { class: 'card-cell ' + line.state, 'data-position': line.position, ...props },
  h('span', { class: 'card-no' }, line.position), h('span', { class: 'card-amps' }, line.circuit ? rating(line.rating_amps) : ''), words(line));

/* two columns, odd and even, as on the door; one list where positions are no such numbers */
function grid(panel) {
  const lines = panel.lines, circuits = lines.filter((l) => l.circuit), door = twoColumns(circuits);
  const two = panel.legs > 1 && live.site.standard !== 'IEC60898' && circuits.every((l) => places(l.position, l.poles, 2));
  if (!two) return h('div', { class: 'card-grid single' }, lines.map((l) => cell(l)));
  const byPosition = new Map(lines.map((l) => [l.position, l]));
  const empty = door.empty.map((e) => [byPosition.get(String(e.place)) ?? { position: String(e.place), state: 'space' }, e]);
  return h('div', { class: 'card-grid', style: { '--rows': door.rows } }, [...door.slots.map((s) => [s.circuit, s]), ...empty].sort((a, b) => a[1].row - b[1].row || a[1].column - b[1].column)
    .map(([l, s]) => cell(l, { style: { 'grid-column': s.column, 'grid-row': `${s.row} / span ${s.span ?? 1}` } })));
}

function card(panel) {
  const fed = panel.fed_by ? t('panel.fed', { breaker: breakerIn(panel.fed_by) }) : t('panel.utility');
  return h('article', { class: 'door-card' }, h('header', {}, h('div', {}, h('h2', {}, panel.name), h('p', {}, live.site.name)), h('p', { class: 'card-plate' }, `${rating(panel.rating_amps)} · ${t('legs.' + panel.legs)}`, h('br', {}), fed)),
    grid(panel), h('footer', {}, h('p', {}, t('directory.card_foot', { date: date(Date.now()) })), h('p', {}, t('directory.card_care'))));
}

/* ---- what does not agree ---- */

function remarkSaid(r) {
  const [a, b] = r.circuits.map(breakerIn);
  return t('remark.' + r.kind, { subject: r.subject, a, b, panel: panelOf(r.panel)?.name ?? '' });
}

const remarks = (list) => h('section', { class: 'no-print' }, h('h2', {}, t('directory.remarks')),
  list.length ? h('ul', { class: 'plain' }, list.map((r) => h('li', { class: r.conflict ? 'conflict' : '' }, r.conflict ? h('b', {}, t('directory.conflict') + ' ') : null, remarkSaid(r)))) : h('p', {}, t('directory.agrees')));

/* ---- changing ---- */

function changing(data, again) {
  const lines = data.panels.flatMap((p) => p.lines.filter((l) => l.circuit).map((l) => ({ panel: p, line: l })));
  const which = h('select', { 'aria-label': t('directory.position') }, lines.map(({ panel, line }, i) => h('option', { value: i }, `${line.position} · ${panel.name}`)));
  const what = field('directory.purpose', { maxlength: 90, autocapitalize: 'sentences' }), said = h('p', { class: 'answer', role: 'status' });
  const fill = () => { what.input.value = lines[which.value]?.line.purpose ?? ''; };
  which.addEventListener('change', fill);
  fill();
  const by = live.session.person ? null : field('alarms.by', { maxlength: 60, autocomplete: 'name', value: localStorage.getItem('by') || '' });
  const who = () => { if (by?.input.value.trim()) localStorage.setItem('by', by.input.value.trim()); return by?.input.value.trim() || undefined; };
  const told = (p) => p.then(() => { text(said, t('alarms.done')); again(); }, (x) => text(said, t('alarms.failed', { why: x.message })));
  const file = h('input', { type: 'file', accept: '.csv,text/csv', 'aria-label': t('directory.import'), onchange: async () => {
    if (file.files[0]) await told(post('/directory/import', { csv: await file.files[0].text(), by: who() }));
    file.value = '';
  } });
  return h('details', { class: 'no-print' }, h('summary', {}, t('directory.change')), h('form', { class: 'entry', onsubmit: (e) => {
    e.preventDefault();
    const { panel, line } = lines[which.value];
    told(post('/directory/purpose', { panel: panel.panel, position: line.position, words: what.input.value.trim(), by: who() }));
  } }, h('p', { class: 'field' }, h('label', {}, t('directory.position') + ' ', which)), what.el, by?.el, h('p', { class: 'small' }, t('directory.rule')), h('p', {}, h('button', { type: 'submit' }, t('directory.keep'))), h('p', { class: 'field' }, h('label', {}, t('directory.import') + ' ', file)), said));
}

/* ---- who changed what ---- */

/* "main/7" as the card has it; words as they were written */
const was = (c, v) => !v ? t('directory.nothing') : c.what === 'purpose' ? v : v === 'unmetered' ? t('directory.unmetered') : v.split(', ').map((x) => { const [panel, ...position] = x.split('/'); return `${position.join('/')} · ${panelOf(panel)?.name ?? panel}`; }).join('; ');
const changeRow = (c) => h('tr', {}, h('td', {}, h('time', { datetime: c.time }, moment(c.time))), h('th', { scope: 'row' }, c.who === 'page' ? t('directory.by_page') : c.who || '?'), h('td', {}, c.what === 'place' ? c.subject : `${c.position} · ${panelOf(c.panel)?.name ?? c.panel}`), h('td', {}, was(c, c.before)), h('td', {}, was(c, c.after)));

function history(root) {
  const body = h('tbody', {}), more = h('button', { hidden: true, onclick: () => fetchMore() }, t('audit.more')), none = h('p', { hidden: true }, t('audit.none'));
  let oldest = 0;
  async function fetchMore() {
    const a = await get(`/directory/changes?most=${PAGE}` + (oldest ? `&before=${oldest}` : ''));
    if (!oldest) body.replaceChildren();
    body.append(...a.changes.map(changeRow));
    oldest = a.changes.at(-1)?.id ?? oldest;
    more.hidden = !a.more;
    none.hidden = body.children.length > 0;
  }
  root.replaceChildren(h('section', { class: 'no-print' }, h('h2', {}, t('directory.history')), h('div', { class: 'scroll', tabindex: '0' }, h('table', { class: 'list' }, h('thead', {}, h('tr', {}, ['when', 'who', 'what', 'before', 'after'].map((k) => h('th', { scope: 'col' }, t('directory.h_' + k))))), body)), none, h('p', {}, more)));
  return () => { oldest = 0; fetchMore().catch((x) => text(none, x.message)); };
}

export function view(root, id) {
  const box = h('div', {}), past = h('div', {});
  const tools = h('div', { class: 'buttons no-print' }, may('name') ? h('a', { class: 'do', href: '#/trace' }, t('trace.title')) : null, h('button', { onclick: () => window.print() }, t('sheet.print')), h('a', { class: 'do', href: '/api/v1/directory.csv', download: '' }, t('directory.csv')));
  root.replaceChildren(h('h1', { class: 'page-title no-print' }, t('title')), tools, box, past);
  let data = null;
  const fetchChanges = history(past);
  async function again() {
    data = await get('/directory' + (id ? '?panel=' + encodeURIComponent(id) : ''));
    fill();
    fetchChanges();
  }
  const fill = () => remake(box, nowLanguage() + JSON.stringify(data), () => [h('div', { class: 'door-cards' }, data.panels.map(card)), data.unmetered.length ? h('section', { class: 'no-print' }, h('h2', {}, t('directory.unmetered')), h('ul', { class: 'plain' }, data.unmetered.map((p) => h('li', {}, saidPlace(p), p.panel ? ' · ' + (panelOf(p.panel)?.name ?? p.panel) : '')))) : null, remarks(data.remarks), may('directory') ? changing(data, again) : null]);
  again().catch((x) => box.replaceChildren(h('p', { class: 'answer', role: 'alert' }, x.message)));
  return { title: t('title') };
}
