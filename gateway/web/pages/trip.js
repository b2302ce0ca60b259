/* trip: the service sheet of one opening. Everything that speaks for and against, the record second by
 * second, what to do next. Prints on one page. */
import { h, s, text, remake } from '/dom.js';
import { live, get, post, may, watchEvents } from '/live.js';
import { lostSupply, toldAs } from '/phrases.js';
import { t, faultSaid, bySaid, amps, number, rating, percent, duration, appliance, breaker, breakerSaid, breakerIn, circuitOf, panelOf, moment, clockSeconds, dayClock, chance, capital, nowLanguage } from '/say.js';

const BEFORE = 120, AFTER = 60;

/* What one page of paper has room for; the rest is on the page, and the paper says how much. */
const PAPER = { causes: 4, evidence: 5, loads: 5, others: 10, letters: 500 };
const onPaper = (i, most) => (i < most ? '' : 'no-print');
const moreOnPage = (tag, count, most) => (count > most ? h(tag, { class: 'only-print small' }, tag === 'tr' ? h('td', { colspan: 3 }, t('sheet.more', { n: count - most })) : t('sheet.more', { n: count - most })) : null);

const row = (label, ...value) => h('div', { class: 'fact' }, h('dt', {}, t(label)), h('dd', {}, value));

function causes(x) {
  const list = Object.entries(x.causes || {}).filter(([, p]) => p >= 0.005).sort((a, b) => b[1] - a[1]);
  return h('table', { class: 'bars' }, h('caption', {}, t('sheet.causes')), h('tbody', {}, list.map(([k, p], i) =>
    h('tr', { class: onPaper(i, PAPER.causes) }, h('th', { scope: 'row' }, t('cause.' + k)), h('td', { class: 'num' }, chance(p)), h('td', { 'aria-hidden': 'true' }, s('svg', { class: 'prob', viewBox: '0 0 100 8', preserveAspectRatio: 'none' }, s('rect', { width: 100 * p, height: 8 })))))));
}

/* a likelihood ratio in words: so many times likelier than when the loads had ended by themselves, or the other way */
function weight(ratio) {
  const times = Math.exp(Math.abs(ratio)), n = times > 1000 ? t('over', { n: number(1000, 0) }) : number(times, times < 10 ? 1 : 0);
  return t(ratio > 0 ? 'sheet.for' : 'sheet.against', { n });
}

function saidOf(what, pro) {
  const key = 'evidence.' + what, special = key + '.for';
  if (pro && t(special) !== special) return t(special);
  return t(key) === key ? what.replaceAll('_', ' ') : t(key);
}

/* the figure it was judged by, where a person can do something with it */
const judgedBy = {
  breaker_heat: (v) => percent(v),
  loads_vanished: (v) => number(v, 0),
  silence: (v) => duration(v),
  after_reset: (v) => duration(v),
  current_left: (v) => amps(v, 2),
};

function evidence(x) {
  const list = [...(x.evidence || [])].sort((a, b) => Math.abs(b.log_ratio) - Math.abs(a.log_ratio));
  if (!list.length) return h('p', { class: 'small' }, t('sheet.evidence_none'));
  const most = Math.max(...list.map((e) => Math.abs(e.log_ratio)), 1);
  return h('table', { class: 'bars evidence' }, h('caption', {}, t('sheet.evidence')), h('tbody', {}, list.map((e, i) => {
    const w = (48 * Math.abs(e.log_ratio)) / most, pro = e.log_ratio > 0;
    const value = Number.isFinite(e.value) && judgedBy[e.what]?.(e.value);
    return h('tr', { class: onPaper(i, PAPER.evidence) }, h('th', { scope: 'row' }, saidOf(e.what, pro), value ? h('span', { class: 'small' }, ' ' + value) : null),
      h('td', { 'aria-hidden': 'true' }, s('svg', { class: 'weigh', viewBox: '0 0 100 8', preserveAspectRatio: 'none' }, s('rect', { class: 'middle', x: 49.7, width: 0.6, height: 8 }), s('rect', { class: pro ? 'pro' : 'con', x: pro ? 50 : 50 - w, width: w, height: 8 }))),
      h('td', { class: 'num' }, weight(e.log_ratio)));
  }), moreOnPage('tr', list.length, PAPER.evidence)));
}

/* The frozen seconds as a staircase: what was read, never a line drawn between readings. */
export function picture(x, record, circuit) {
  const at = Date.parse(x.opened_at) / 1000, poles = record.columns.map((c, i) => [c, i]).filter(([c]) => c.startsWith(x.circuit + '.amps'));
  const points = record.rows.map((r) => [r[0] - at, poles.reduce((m, [, i]) => (r[i] === null ? m : Math.max(m ?? -1, r[i])), null)]);
  if (!points.some((p) => p[1] !== null)) return null;
  const small = innerWidth < 640 && !matchMedia('print').matches;
  const W = small ? 380 : 720, H = small ? 220 : 190, L = 46, B = 24, T = 14, top = Math.max(circuit.rating_amps * 1.15, ...points.map((p) => p[1] ?? 0)) * 1.06;
  const px = (sec) => L + ((sec + BEFORE) / (BEFORE + AFTER)) * (W - L - 8), py = (a) => T + (1 - a / top) * (H - T - B);
  let line = '', last = null;
  points.forEach(([sec, a]) => {
    if (a === null) last = null;
    else {
      line += last === null ? `M${px(sec).toFixed(1)} ${py(a).toFixed(1)}` : `H${px(sec).toFixed(1)}V${py(a).toFixed(1)}`;
      last = a;
    }
  });
  const steps = small ? [-120, -60, 0, 60] : [-120, -90, -60, -30, 0, 30, 60];
  const each = [1, 2, 5, 10, 20, 50].find((n) => top / n <= 6) ?? 100;
  return s('svg', { class: 'picture', viewBox: `0 0 ${W} ${H}`, role: 'img', 'aria-label': t('sheet.record') + ': ' + t('sheet.before') + ' ' + amps(x.amps_before) },
    Array.from({ length: Math.floor(top / each) + 1 }, (_, i) => i * each).map((v) => [s('line', { class: 'grid', x1: L, x2: W - 8, y1: py(v), y2: py(v) }), s('text', { class: 'axis', x: L - 6, y: py(v) + 4, 'text-anchor': 'end' }, v + ' A')]),
    steps.map((v) => [s('line', { class: 'grid', x1: px(v), x2: px(v), y1: T, y2: H - B }), s('text', { class: 'axis', x: px(v), y: H - 7, 'text-anchor': v === -BEFORE ? 'start' : v === AFTER ? 'end' : 'middle' }, v === 0 ? clockSeconds(x.opened_at) : (v > 0 ? '+' : '−') + Math.abs(v) + ' s')]),
    s('line', { class: 'eighty', x1: L, x2: W - 8, y1: py(0.8 * circuit.rating_amps), y2: py(0.8 * circuit.rating_amps) }),
    s('line', { class: 'rated-line', x1: L, x2: W - 8, y1: py(circuit.rating_amps), y2: py(circuit.rating_amps) }),
    s('text', { class: 'axis strong', x: W - 10, y: py(circuit.rating_amps) - 4, 'text-anchor': 'end' }, t('chart.rating') + ' ' + rating(circuit.rating_amps)),
    s('path', { class: 'trace', d: line }),
    s('line', { class: 'opened', x1: px(0), x2: px(0), y1: T, y2: H - B }), s('text', { class: 'axis opened-word', x: px(0) + 5, y: T + 9 }, t('sheet.opens')));
}

/* the last seconds as figures: what an electrician reads */
function seconds(x, record) {
  const at = Date.parse(x.opened_at) / 1000, poles = record.columns.map((c, i) => [c, i]).filter(([c]) => c.startsWith(x.circuit + '.amps'));
  const near = record.rows.filter((r) => r[0] - at >= -9.6 && r[0] - at <= 4.6);
  const byPoll = new Map(near.map((r) => [Math.round((r[0] - at) * 2) / 2, r]));
  const whole = [...byPoll].filter(([k]) => Number.isInteger(k));
  const list = whole.length >= 8 ? whole : [...byPoll];
  if (!list.length) return null;
  return h('div', { class: 'scroll', tabindex: '0', role: 'group', 'aria-label': t('sheet.record') }, h('table', { class: 'seconds' }, h('tbody', {},
    h('tr', {}, h('th', { scope: 'row' }, 's'), list.map(([k]) => h('td', { class: k >= 0 ? 'after' : '' }, k === 0 ? '0' : (k > 0 ? '+' : '−') + number(Math.abs(k), Number.isInteger(k) ? 0 : 1)))),
    poles.map(([, i], n) => h('tr', {}, h('th', { scope: 'row' }, 'A' + (poles.length > 1 ? ' ' + (n + 1) : '')), list.map(([k, r]) => h('td', { class: k >= 0 ? 'after' : '' }, r[i] === null ? '–' : number(r[i], 1))))))));
}

function forecast(x, events) {
  const warnings = events.filter((e) => e.type === 'alarm' && e.kind === 'near_overload' && e.state === 'unacknowledged' && e.time <= x.opened_at);
  const w = warnings[warnings.length - 1];
  const stood = (x.before || []).filter((b) => b.amps !== null);
  const table = stood.length
    ? h('table', {}, h('tbody', {}, stood.map((b) => h('tr', {}, h('th', { scope: 'row' }, t('sheet.before_it', { time: duration(b.seconds_before) })), h('td', {}, amps(b.amps)), h('td', {}, t('row.heat', { percent: percent(b.heat ?? 0) })), h('td', {}, chance(b.trip_chance ?? 0))))))
    : null;
  if (!w) return [h('p', {}, t('sheet.forecast_none')), table];
  return [table, h('p', {}, t('sheet.forecast_line', { time: clockSeconds(w.time), amps: amps(w.amps), p50: duration(w.trip_seconds?.p50), p05: duration(w.trip_seconds?.p05), p95: duration(w.trip_seconds?.p95), chance: chance(w.trip_chance ?? 0) }))];
}

function loads(x) {
  const list = (x.loads || []).filter((l) => l.amps >= 0.05);
  if (!list.length) return h('p', {}, t('sheet.loads_none'));
  return h('ul', { class: 'plain' }, list.map((l, i) => h('li', { class: onPaper(i, PAPER.loads) }, h('b', {}, appliance(l)), ' ', amps(l.amps), h('span', { class: 'small' }, l.appliance === 'standing_load' ? '' : ' ' + t('sheet.since', { time: clockSeconds(l.since) }) + (l.appliance === 'unknown' ? '' : ', ' + chance(l.probability))))), moreOnPage('li', list.length, PAPER.loads));
}

function others(x) {
  const list = x.with || [];
  const up = x.upstream ? h('p', {}, t('sheet.upstream', { breaker: x.upstream === 'utility' ? t('sheet.utility') : breakerIn(x.upstream) })) : null;
  return [up, list.length ? h('p', {}, list.map((id, i) => h('span', { class: onPaper(i, PAPER.others) }, (i ? '; ' : '') + breaker(id))), moreOnPage('span', list.length, PAPER.others)) : h('p', {}, t('sheet.with_none'))];
}

function finding(x) {
  const values = { breaker: breakerSaid(x.circuit), time: clockSeconds(x.opened_at), cause: t('cause.' + x.cause), chance: chance(x.causes?.[x.cause] ?? 0) };
  return capital(t(x.stage === 'withdrawn' ? 'sheet.finding_withdrawn' : lostSupply(x) ? 'sheet.finding_dark' : 'sheet.finding', values));
}

/* what a person says it was; what was computed stays as it is */
function corrected(events) {
  const said = events.filter((e) => e.type === 'trip_corrected').pop();
  return said ? h('p', { class: 'corrected' }, t('sheet.corrected', { by: bySaid(said.by), cause: t('cause.' + said.cause), time: dayClock(said.time) })) : null;
}

function correctForm(x) {
  const cause = h('select', { 'aria-label': t('sheet.causes') }, Object.keys(x.causes).map((k) => h('option', { value: k, selected: k === x.cause }, t('cause.' + k))));
  const by = h('input', { type: 'text', maxlength: 60, autocomplete: 'name', value: localStorage.getItem('by') || '', hidden: Boolean(live.session.person), 'aria-label': t('alarms.by'), placeholder: t('alarms.by') });
  const said = h('span', { class: 'small', role: 'status' });
  return h('details', { class: 'no-print' }, h('summary', {}, t('sheet.correct')), h('form', { class: 'shelve', onsubmit: (e) => {
    e.preventDefault();
    if (by.value.trim() && !live.session.person) localStorage.setItem('by', by.value.trim());
    post(`/trips/${x.trip}/correct`, { cause: cause.value, by: by.value.trim() || 'page' }).then(() => text(said, t('alarms.done')), (f) => text(said, t('alarms.failed', { why: faultSaid(f) })));
  } }, cause, by, h('button', { type: 'submit' }, t('sheet.do_correct')), said));
}

/* What is to be done: once it has its supply again, nothing at the panel. */
function doNow(x, far) {
  if (x.opened_again_after_seconds) return 'again';
  if (x.restored_at) return x.cause === 'fault' || x.cause === 'worn_breaker' ? 'restored_check' : 'restored';
  return far && !circuitOf(x.circuit) && x.with?.length ? 'upstream_open' : toldAs(x.circuit, x.cause);
}

/* what people wrote beside it, and a line for the next */
function notes(events) {
  const list = events.filter((e) => e.type === 'trip_note');
  let letters = 0, most = 0; /* the newest go on paper */
  for (const e of [...list].reverse()) if ((letters += e.note.length) <= PAPER.letters) most++;
  return list.length ? h('ul', { class: 'notes' }, moreOnPage('li', list.length, most), list.map((e, i) => h('li', { class: onPaper(list.length - 1 - i, most) }, e.note, h('span', { class: 'small' }, ' ' + bySaid(e.by) + ', ' + dayClock(e.time))))) : null;
}

function noteForm(x) {
  const note = h('textarea', { rows: 2, maxlength: 500, required: true, 'aria-label': t('sheet.note'), placeholder: t('sheet.note') }), said = h('span', { class: 'small', role: 'status' });
  const by = live.session.person ? null : h('input', { type: 'text', maxlength: 60, autocomplete: 'name', value: localStorage.getItem('by') || '', 'aria-label': t('alarms.by'), placeholder: t('alarms.by') });
  return h('form', { class: 'shelve no-print', onsubmit: (e) => {
    e.preventDefault();
    if (by?.value.trim()) localStorage.setItem('by', by.value.trim());
    post(`/trips/${x.trip}/note`, { note: note.value.trim(), by: by?.value.trim() || 'page' }).then(() => { text(said, t('alarms.done')); note.value = ''; }, (f) => text(said, t('alarms.failed', { why: faultSaid(f) })));
  } }, note, by, h('button', { type: 'submit' }, t('sheet.do_note')), said);
}

const block = (title, ...inside) => h('section', { class: 'block' }, h('h2', {}, t(title)), inside);

/* far: shown elsewhere than at the gateway's own page, which alone has the rest */
export function sheet(x, events, record, far) {
  const circuit = circuitOf(x.circuit), again = x.opened_again_after_seconds;
  return [
    h('header', { class: 'sheet-head' }, h('div', {}, h('p', { class: 'kind' }, t('sheet.title')), h('p', {}, live.site.name)), h('span', { class: 'no-print' }, far || x.restored_at || x.stage === 'withdrawn' || lostSupply(x) ? null : h('a', { class: 'do', href: '#/call/' + x.circuit }, t('call.title')), ' ', h('button', { onclick: () => window.print() }, t('sheet.print')))),
    h('h1', {}, finding(x)),
    corrected(events),
    h('dl', { class: 'facts' },
      row('sheet.breaker', far ? breakerIn(x.circuit) : h('a', { href: '#/circuit/' + x.circuit }, breakerIn(x.circuit)), circuit ? ', ' + rating(circuit.rating_amps) + (circuit.curve ? ' ' + circuit.curve : '') : ''),
      row('sheet.opened', moment(x.opened_at)), row('sheet.stage', capital(t('stage.' + x.stage)) + '. ' + t('sheet.lost', { chance: chance(x.probability) }), x.afterwards ? '. ' + t('sheet.afterwards') : ''),
      row('sheet.before', amps(x.amps_before, 2) + (circuit ? ', ' + percent(x.amps_before / circuit.rating_amps) : '')), row('sheet.heat', percent(x.heat)),
      row('sheet.restored', x.restored_at ? t('sheet.restored_after', { time: dayClock(x.restored_at), seconds: duration(x.seconds_open) }) : t('sheet.not_restored'), again ? '. ' + t('sheet.again', { time: duration(again) }) : '')),
    x.stage === 'withdrawn' ? null : h('section', { class: 'block do-now' }, h('h2', {}, t('sheet.do')), h('p', {}, t('do.' + doNow(x, far))), h('p', { class: 'small' }, t('caution.1')), h('p', { class: 'small' }, t('caution.3'))),
    far ? null : block('sheet.record', record?.hidden ? h('p', {}, t('hidden')) : record ? [picture(x, record, circuit) ?? h('p', {}, t('sheet.record_none')), seconds(x, record)] : h('p', {}, '…')),
    h('div', { class: 'two' }, h('section', { class: 'block' }, causes(x), !far && x.restored_at && may('correct') ? correctForm(x) : null), block('sheet.loads', (far ? far.loads : may('see_loads')) ? loads(x) : h('p', {}, t('hidden')))),
    h('section', { class: 'block' }, evidence(x)),
    h('div', { class: 'two' }, block('sheet.with', others(x)), block('sheet.forecast', forecast(x, events))),
    h('section', { class: 'block by-hand' }, h('h2', {}, t('sheet.notes')), notes(events), !far && may('note') ? noteForm(x) : null, h('div', { class: 'lines only-print' })),
  ];
}

export function view(root, id) {
  const box = h('article', { class: 'sheet' });
  root.replaceChildren(h('p', { class: 'crumb no-print' }, h('a', { href: '#/trips' }, '◀ ' + t('sheet.all'))), box);
  let data = null, record = null, failed = null;
  async function fetchAll() {
    data = await get('/trips/' + id);
    fill();
    record = !may('see_loads') ? { columns: [], rows: [], hidden: true } : await get(`/trips/${id}/record?before=${BEFORE}&after=${AFTER}`);
    fill();
  }
  /* what somebody is about to say is not taken out of their hands */
  const isWriting = () => [...box.querySelectorAll('textarea')].some((x) => x.value.trim()) || Boolean(box.querySelector('textarea:focus, input:focus, select:focus'));
  const fill = () => {
    if (failed) remake(box, failed, () => h('p', {}, failed));
    else if (data && !isWriting()) remake(box, nowLanguage() + JSON.stringify([data, record?.rows?.length]), () => sheet(data.trip, data.events, record));
  };
  let asked = performance.now();
  const again = () => fetchAll().catch((e) => { failed = faultSaid(e); fill(); });
  again();
  const stop = watchEvents((e) => {
    if (e.trip === id) setTimeout(again, 300);
  });
  /* what comes after the opening is on its way to the disk for some seconds more */
  const isYoung = () => data && Date.now() - Date.parse(data.trip.opened_at) < (AFTER + 30) * 1000;
  return {
    title: t('sheet.title'),
    update() {
      if (isYoung() && performance.now() - asked > 5000) {
        asked = performance.now();
        again();
      }
      fill();
    },
    close: stop,
  };
}
