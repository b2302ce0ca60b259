/* study: load calculations as sheets, a page each, and whether a load may be added. */
import { h } from '/dom.js';
import { live, get } from '/live.js';
import { t, addWords, amps, number, date, breakerIn, panelOf, circuitOf, faultSaid, nowLanguage } from '/say.js';
import * as words from '/study-words.js';

addWords(words);

const result = (x) => (x.value === null ? t('study.unknown') : x.unit === 'VA' ? number(x.value, 0) + '\u00a0VA' : amps(x.value, 2));
const section = (sheet, x) => h('td', { class: 'num' }, x.section ? (sheet.kind === 'design' ? '' : 'NEC ') + x.section : '');
const sum = (x) => (x.sum.startsWith('leg ') ? t('study.leg', { leg: x.sum.slice(4) }) : x.sum.replaceAll(' x ', ' × ').replaceAll('<=', '≤').replaceAll('>=', '≥'));

function place(sheet) {
  if (sheet.circuit) return breakerIn(sheet.circuit);
  const p = panelOf(sheet.panel);
  return t(p?.fed_by ? 'study.feeder' : 'study.service', { panel: p?.name ?? sheet.panel });
}

function amounts(sheet) {
  return h('table', { class: 'amounts' }, h('thead', {}, h('tr', {}, ['section', 'what', 'sum', 'result'].map((k) => h('th', { scope: 'col' }, t('study.' + k))))),
    h('tbody', {}, sheet.steps.filter((x) => x.unit !== 'condition').map((x) => h('tr', {}, section(sheet, x), h('th', { scope: 'row' }, (x.name ? x.name + ', ' : '') + t('study.item.' + x.item)), h('td', { class: 'num' }, sum(x)), h('td', { class: 'num' }, result(x))))));
}

function conditions(sheet) {
  const list = sheet.steps.filter((x) => x.unit === 'condition');
  const said = (v) => (v === null ? ['?', 'judge'] : v ? ['✓', 'met'] : ['✗', 'not_met']);
  return h('table', { class: 'amounts' }, h('caption', {}, t('study.if')), h('tbody', {}, list.map((x) => h('tr', {}, section(sheet, x), h('th', { scope: 'row' }, t('study.item.' + x.item)), h('td', { class: 'num' }, sum(x)), h('td', {}, h('b', { 'aria-hidden': 'true' }, said(x.value)[0]), ' ', t('study.' + said(x.value)[1]))))));
}

function head(d, sheet) {
  const by = sheet.kind === 'optional' || sheet.kind === 'existing' ? t('study.nameplates') : t('study.record', { from: date(d.record.from), to: date(d.record.to) });
  return (d.edition && sheet.kind !== 'design' ? t('study.head', { section: 'NEC ' + sheet.section, edition: d.edition }) : t('study.head_iec', { section: sheet.section })) + '; ' + by;
}

function one(d, sheet, first) {
  return h('article', { class: 'sheet study-sheet', 'data-kind': sheet.kind },
    h('header', { class: 'sheet-head' }, h('div', {}, h('p', { class: 'kind' }, t('study.title')), h('p', {}, live.site.name)), first ? h('button', { class: 'no-print', onclick: () => window.print() }, t('study.print')) : null),
    h('h2', {}, place(sheet)), h('p', { class: 'small' }, head(d, sheet)),
    h('div', { class: 'scroll', tabindex: '0', role: 'group', 'aria-label': place(sheet) }, amounts(sheet), conditions(sheet)),
    h('p', { class: 'verdict', 'data-verdict': sheet.verdict }, t('study.verdict.' + sheet.verdict, { room: sheet.room_amps === null ? t('study.unknown') : amps(sheet.room_amps, 2) })),
    d.note ? h('p', { class: 'small' }, d.edition === '2026' ? t('study.note_2026') : d.note) : null,
    h('p', { class: 'small' }, t('study.caution')));
}

/* ---- the question ---- */

function form(ask) {
  const where = h('select', { name: 'where', 'aria-label': t('study.where') }, h('option', { value: '' }, t('study.everything')),
    live.site.panels.map((p) => h('optgroup', { label: p.name }, h('option', { value: 'panel=' + p.panel }, p.name), live.site.circuits.filter((c) => c.panel === p.panel).map((c) => h('option', { value: 'circuit=' + c.circuit }, `${c.position} ${c.name}`)))));
  const current = h('input', { type: 'number', name: 'amps', min: 0.1, max: 10000, step: 'any', 'aria-label': t('study.amps') });
  const boxes = ['continuous', 'fastened', 'dedicated'].map((k) => ({ k, input: h('input', { type: 'checkbox', name: k }) }));
  return h('form', { class: 'entry study-form no-print', onsubmit: (e) => {
    e.preventDefault();
    ask([where.value, current.value ? 'amps=' + current.value : '', ...boxes.filter((b) => b.input.checked).map((b) => b.k + '=true')].filter(Boolean).join('&'));
  } }, h('p', { class: 'field' }, h('label', {}, t('study.where'), ' ', where)), h('p', { class: 'field' }, h('label', {}, t('study.amps'), ' ', current)),
    h('p', {}, boxes.map((b) => h('label', { class: 'tick' }, b.input, ' ', t('study.' + b.k)))), h('p', {}, h('button', { type: 'submit' }, t('study.ask'))));
}

export function view(root, id) {
  const box = h('div', { 'aria-live': 'polite' });
  let data = null, language = nowLanguage(), asked = 0, closed = false;
  const draw = () => { if (data) box.replaceChildren(...data.sheets.map((x, i) => one(data, x, i === 0))); };
  function ask(query) {
    const mine = ++asked;
    data = null;
    box.replaceChildren(h('p', { class: 'wait' }, t('study.wait')));
    get('/study' + (query ? '?' + query : '')).then((d) => { if (mine === asked && !closed) { data = d; draw(); } },
      (e) => { if (mine === asked && !closed) box.replaceChildren(h('p', {}, faultSaid(e))); });
  }
  const build = () => root.replaceChildren(h('h1', { class: 'page-title no-print' }, t('study.title')), form(ask), box);
  build();
  ask(circuitOf(id) ? 'circuit=' + id : '');
  return {
    title: t('study.title'),
    update() {
      if (language === nowLanguage()) return;
      language = nowLanguage();
      build();
      draw();
    },
    close() { closed = true; },
  };
}
