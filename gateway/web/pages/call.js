/* call: a service call on a phone in one hand, and its sheet on paper. What is asked and what was found comes from
 * the gateway in words; this shows it, live, and carries the answers. */
import { h, s, text, attr, show, remake } from '/dom.js';
import { live, get, post, may, watchEvents } from '/live.js';
import { t, faultSaid, amps, rating, percent, chance, duration, appliance, breakerIn, breakerSaid, circuitOf, moment, clockSeconds, dayClock, capital, nowLanguage } from '/say.js';
import { picture } from '/trip.js';

const RETRY_MS = 2000;
const PAPER_STEPS = 26; /* on one page, fewer with many loads; more give way in the middle */

/* this phone: who holds a call is told from it */
function device() {
  if (!localStorage.getItem('device')) localStorage.setItem('device', [...crypto.getRandomValues(new Uint8Array(9))].map((b) => b.toString(36)).join('').slice(0, 16));
  return localStorage.getItem('device');
}
const byName = () => live.session.person?.name ?? localStorage.getItem('by') ?? '';
const asWho = () => (may('electrician') && localStorage.getItem('as') === 'electrician' ? 'electrician' : 'occupant');
const who = (as = asWho()) => ({ by: byName() || 'page', as, device: device() });
const isMine = (c) => c.device === device() && (c.as !== 'electrician' || may('electrician'));

/* ---- who is there, before a call begins or changes hands */

function whoForm(button, done) {
  const name = live.session.person ? null : h('input', { type: 'text', maxlength: 60, required: true, autocomplete: 'name', value: localStorage.getItem('by') || '' });
  const pick = (value) => h('label', { class: 'call-as' }, h('input', { type: 'radio', name: 'as', value, checked: asWho() === value, required: true }), ' ', t('call.as_' + value));
  return h('form', { class: 'call-who', onsubmit: (e) => {
    e.preventDefault();
    if (name) localStorage.setItem('by', name.value.trim());
    localStorage.setItem('as', new FormData(e.target).get('as') ?? 'occupant');
    done();
  } }, name ? h('label', { class: 'field' }, t('call.name'), name) : null,
  h('fieldset', {}, h('legend', {}, t('call.who')), pick('occupant'), may('electrician') ? pick('electrician') : null),
  h('button', { type: 'submit', class: 'call-choice go' }, button));
}

/* ---- those there are */

function line(c) {
  const words = c.ended_at ? t('finding.' + c.finding) : t(c.waiting ? 'call.waiting_short' : 'call.open');
  return h('tr', { class: c.ended_at ? '' : 'still' }, h('td', {}, h('a', { href: '#/call/' + c.call }, dayClock(c.begun_at))), h('th', { scope: 'row' }, breakerIn(c.circuit)), h('td', {}, words, h('span', { class: 'small' }, ' ' + c.by)));
}

function listView(root) {
  const open = h('div', {}), list = h('div', { class: 'scroll', tabindex: '0', role: 'group', 'aria-label': t('call.all') });
  root.replaceChildren(h('h1', { class: 'page-title' }, t('call.title')), open, h('h2', {}, t('call.all')), list);
  let calls = null;
  const fetchAll = () => get('/calls?most=100').then((d) => { calls = d.calls; update(); }, () => {});
  fetchAll();
  const stop = watchEvents((e) => e.type === 'call' && setTimeout(fetchAll, 200));
  function update() {
    const dark = live.trips.filter((x) => !x.restored_at && x.stage !== 'withdrawn');
    remake(open, nowLanguage() + dark.map((x) => x.trip).join(), () => dark.map((x) => h('p', {}, h('a', { class: 'do', href: '#/call/' + x.circuit }, t('call.begin_for', { breaker: breakerIn(x.circuit) })))));
    if (calls) remake(list, nowLanguage() + calls.map((c) => c.call + c.seq).join(), () => (calls.length ? h('table', { class: 'list' }, h('tbody', {}, calls.map(line))) : h('p', {}, t('call.none'))));
  }
  return { title: t('call.title'), update, close: stop };
}

/* ---- beginning one */

function beginView(root, circuit) {
  const said = h('p', { class: 'answer', role: 'status' });
  const openOne = () => get('/calls?open=true').then((d) => d.calls.find((c) => c.circuit === circuit || c.dark === circuit));
  const go = (c) => { location.replace('#/call/' + c.call); };
  const begin = () => post('/calls', { circuit, ...who() })
    .then(() => get('/calls?most=20')).then((d) => go(d.calls.find((c) => c.circuit === circuit || c.dark === circuit)))
    .catch((e) => text(said, capital(faultSaid(e))));
  root.replaceChildren(h('p', { class: 'crumb' }, h('a', { href: '#/call' }, '◀ ' + t('call.all'))), h('h1', { class: 'call-title' }, t('call.begin_for', { breaker: breakerIn(circuit) })),
    h('p', {}, t('call.begin_note')), may('call') ? whoForm(t('call.begin'), begin) : h('p', {}, t('call.may_not')), said);
  openOne().then((c) => c && go(c), () => {});
  return { title: t('call.title') };
}

/* ---- what the meter sees now */

function meter() {
  const figure = h('span', { class: 'huge' }), of = h('span', { class: 'of' }), fill = s('rect', { class: 'fill', height: 14, width: 0 });
  const el = h('div', { class: 'call-meter', 'aria-live': 'off' }, h('p', { class: 'small' }, t('call.meter')), h('p', { class: 'big-figure' }, figure, of),
    s('svg', { class: 'bar big', viewBox: '0 0 125 14', preserveAspectRatio: 'none', 'aria-hidden': 'true' }, s('rect', { class: 'ground', width: 125, height: 14 }), fill, s('rect', { class: 'full', x: 99.8, width: 0.4, height: 14 })));
  return { el, show(circuit) {
    const state = live.circuits.get(circuit), k = circuitOf(circuit), share = (state?.amps ?? 0) / k.rating_amps;
    text(figure, state?.amps === null || state?.amps === undefined ? '–' : amps(state.amps));
    text(of, t('call.of', { rating: rating(k.rating_amps) }));
    attr(fill, 'width', Math.min(125, 100 * share));
    attr(el, 'data-load', share > 1 ? 'over' : share > 0.8 ? 'high' : 'fine');
  } };
}

/* ---- the question */

function suggestions(d) {
  const words = new Set(d.call.loads_before.filter((l) => l.appliance !== 'unknown' && l.appliance !== 'standing_load').map((l) => appliance(l)));
  for (const l of live.circuits.get(d.call.circuit)?.loads ?? []) if (l.appliance !== 'unknown' && l.appliance !== 'standing_load') words.add(appliance(l));
  return [...words];
}

function question(d, act) {
  const a = d.asked, mine = isMine(d.call);
  const heading = h('h1', { class: 'call-title', tabindex: '-1' }, a.title);
  if (!mine)
    return [heading, h('p', {}, t('call.held', { by: d.call.by })), may('call') ? whoForm(t('call.take_over'), () => act({ answer: 'take_over' })) : h('p', { class: 'small' }, t('call.may_not'))];
  const takes = a.choices.some((c) => c.takes === 'name');
  const name = takes ? h('input', { type: 'text', class: 'call-load', maxlength: 47, list: 'call-loads', value: act.typed, 'aria-label': t('call.load'), placeholder: t('call.load'), oninput: (e) => { act.typed = e.target.value; } }) : null;
  return [heading,
    a.stage === 'cautions' ? h('ul', { class: 'call-cautions' }, d.cautions.map((x) => h('li', {}, x))) : null,
    h('p', { class: 'call-text' }, a.text), h('p', { class: 'call-whom', 'data-who': a.who }, a.who_may),
    takes ? [name, h('datalist', { id: 'call-loads' }, suggestions(d).map((x) => h('option', { value: x })))] : null,
    h('div', { class: 'call-choices' }, a.choices.map((c) => h('button', { class: 'call-choice ' + (c.tone === 'good' ? 'go' : c.tone), onclick: () => act({ answer: c.answer, note: c.takes ? act.typed.trim() : '' }) }, c.words)))];
}

function stopBox(d, act) {
  if (!d.asked || !may('note')) return null;
  const box = h('div', { class: 'call-dangers' }, h('p', {}, t('call.which_danger')), d.asked.dangers.map((x) => h('button', { class: 'call-choice bad', onclick: () => act({ stop: x.danger }) }, x.words)));
  return h('details', { class: 'call-stop' }, h('summary', {}, t('call.stop')), box);
}

function loadsTable(d) {
  const list = d.call.loads;
  if (!list.length) return h('p', { class: 'small' }, t('call.loads_none'));
  return h('table', { class: 'call-loads' }, h('thead', {}, h('tr', {}, ['call.load', 'call.draws', 'call.inrush', 'call.outcome'].map((k) => h('th', { scope: 'col' }, t(k))))), h('tbody', {},
    list.map((l, i) => h('tr', { 'data-outcome': l.outcome }, h('th', { scope: 'row' }, l.name || (l.appliance ? appliance(l) : t('load.unknown')), l.name && l.appliance && l.appliance !== 'unknown' ? h('span', { class: 'small' }, ' ' + appliance(l) + ', ' + chance(l.appliance_probability)) : null),
      h('td', { class: 'num' }, l.amps === null ? '–' : amps(l.amps, 2)), h('td', { class: 'num' }, l.inrush_amps === null ? '–' : amps(l.inrush_amps, 2)), h('td', {}, d.outcomes[i]))),
    h('tr', { class: 'sum' }, h('th', { scope: 'row' }, t('call.together')), h('td', { class: 'num' }, amps(d.running_amps, 2)), h('td', {}, ''), h('td', {}, percent(d.running_percent / 100) + ' ' + t('call.of', { rating: rating(d.breaker.rating_amps) })))));
}

const stepRow = (x) => h('tr', {}, h('td', { class: 'num' }, x.step), h('td', {}, clockSeconds(x.at)), h('td', {}, x.by || t('call.by_meter')), h('td', {}, x.words, x.danger ? ': ' + t('danger.' + x.danger) : '', x.note ? ': ' + x.note : '', x.other ? ': ' + breakerSaid(x.other) : ''), h('td', { class: 'num' }, x.amps === null ? '–' : amps(x.amps, 2)));

function stepsTable(d, most) {
  const n = d.steps.length, cut = n > most, head = Math.ceil(most / 2), rows = cut ? [...d.steps.slice(0, head), null, ...d.steps.slice(n - (most - head))] : d.steps;
  return h('table', { class: 'call-steps' }, h('tbody', {}, rows.map((x) => (x ? stepRow(x) : h('tr', {}, h('td', { colspan: 5 }, t('call.more_steps', { n: n - most })))))));
}

/* ---- the sheet */

const row = (label, ...value) => h('div', { class: 'fact' }, h('dt', {}, t(label)), h('dd', {}, value));
const block = (title, ...inside) => h('section', { class: 'block' }, h('h2', {}, t(title)), inside);

function sheet(d, record) {
  const c = d.call, f = d.found, circuit = circuitOf(c.circuit);
  return [
    h('header', { class: 'sheet-head' }, h('div', {}, h('p', { class: 'kind' }, t('call.sheet')), h('p', {}, live.site.name + ' · ' + c.call)), h('button', { class: 'no-print', onclick: () => window.print() }, t('sheet.print'))),
    h('h1', {}, f ? f.words : t('call.unfinished', { title: d.asked.title })),
    h('dl', { class: 'facts' },
      row('sheet.breaker', h('a', { href: '#/circuit/' + c.circuit }, breakerIn(c.circuit)), ', ', rating(d.breaker.rating_amps)),
      row('call.when', moment(c.begun_at) + (c.ended_at ? ' – ' + clockSeconds(c.ended_at) : '')), row('call.by', c.by + ', ' + t('call.as_' + c.as)),
      row('call.trip', c.trip ? h('a', { href: '#/trip/' + c.trip }, moment(c.opened_at)) : t('call.no_trip'), c.trip ? ': ' + t('cause.' + c.cause) + ', ' + chance(c.cause_probability) : ''),
      row('sheet.before', c.amps_before === null ? '–' : amps(c.amps_before, 2), c.loads_before.length ? ': ' + c.loads_before.map((l) => appliance(l) + ' ' + amps(l.amps)).join(', ') : ''),
      row('call.resets', String(c.resets), c.peak_amps === null ? '' : ', ' + t('call.peak', { amps: amps(c.peak_amps, 2) }))),
    h('section', { class: 'block do-now' }, h('h2', {}, t(f?.leave_off ? 'call.leave_off' : 'sheet.do')), h('p', {}, f ? f.do : d.asked.text), h('p', { class: 'small' }, d.cautions[d.cautions.length - 1])),
    h('div', { class: 'two' }, block('call.loads', loadsTable(d)), f?.bring.length ? block('call.bring', h('ul', { class: 'plain' }, f.bring.map((x) => h('li', {}, x)))) : null),
    record && d.trip ? block('sheet.record', picture(d.trip, record, circuitOf(d.trip.circuit) ?? circuit) ?? h('p', {}, t('sheet.record_none'))) : null,
    block('call.steps', stepsTable(d, Math.max(8, PAPER_STEPS - c.loads.length))),
    h('section', { class: 'block only-print' }, h('h2', {}, t('sheet.notes')), h('div', { class: 'lines short' })),
  ];
}

/* ---- one call */

function callView(root, id) {
  const said = h('p', { class: 'answer', role: 'status' }), asked = h('div', { class: 'call-asked' }), stop = h('div', {}), gauge = meter(), so = h('div', {}), paper = h('article', { class: 'sheet' });
  const ask = h('section', { class: 'call-now no-print' }, h('p', { class: 'crumb' }, h('a', { href: '#/call' }, '◀ ' + t('call.all'))), h('p', { class: 'small call-where' }), gauge.el, asked, said, stop, so);
  root.replaceChildren(ask, paper);
  let d = null, record = null, failed = null, sending = null, shownQuestion = null;

  const fetchIt = () => get(`/calls/${id}?language=${nowLanguage()}`).then((x) => { d = x; failed = null; fill(); return x; }, (e) => { if (e.status) failed = capital(faultSaid(e)); fill(); });
  async function fetchRecord() {
    if (d?.call.trip && may('see_loads') && !record) record = await get(`/trips/${d.call.trip}/record?before=120&after=60`).catch(() => null);
    fill();
  }

  /* an answer is sent until the gateway has said something to it: the same twice counts once */
  async function send(path, body) {
    if (sending && !body.danger) return; /* "stop" takes the place of what is on its way */
    sending = body;
    fill();
    for (;;) {
      if (sending !== body) return;
      try {
        await post(path, body);
        text(said, '');
        act.typed = body.answer === 'connected' ? act.typed : '';
        break;
      } catch (e) {
        if (e.status) {
          text(said, capital(faultSaid(e)));
          break;
        }
        text(said, t('call.no_line'));
        await new Promise((wake) => setTimeout(wake, RETRY_MS));
      }
    }
    if (sending === body) sending = null;
    await fetchIt();
  }
  const act = (x) => (x.stop ? send(`/calls/${id}/stop`, { danger: x.stop, ...who() }) : send(`/calls/${id}/answer`, { question: d.call.question, note: '', ...x, ...who(x.answer === 'take_over' ? undefined : d.call.as) }));
  act.typed = '';

  function fill() {
    if (failed) return remake(asked, failed, () => h('p', {}, failed));
    if (!d) return;
    const open = Boolean(d.asked), key = nowLanguage() + [d.call.question, d.call.device, d.call.waiting, sending?.answer, sending?.danger].join();
    show(ask, open);
    attr(paper, 'class', open ? 'sheet only-print' : 'sheet');
    text(ask.querySelector('.call-where'), t('call.title') + ' · ' + breakerIn(d.call.circuit));
    remake(paper, nowLanguage() + d.call.steps + Boolean(record), () => sheet(d, record));
    if (!open) return;
    gauge.show(d.call.circuit);
    remake(asked, key, () => [d.call.waiting ? h('p', { class: 'call-waits' }, t('call.waiting', { time: dayClock(d.call.answered_at) })) : null, ...question(d, act)]);
    for (const b of asked.querySelectorAll('button')) b.disabled = Boolean(sending);
    remake(stop, nowLanguage() + d.call.call, () => stopBox(d, act));
    remake(so, nowLanguage() + d.call.steps, () => [loadsTable(d), h('details', {}, h('summary', {}, t('call.steps')), h('div', { class: 'scroll', tabindex: '0', role: 'group', 'aria-label': t('call.steps') }, stepsTable(d, 1000))), noteForm(),
      isMine(d.call) ? h('p', {}, h('button', { class: 'quiet', onclick: () => act({ answer: 'end' }) }, t('call.end'))) : null]);
    if (shownQuestion !== null && shownQuestion !== d.call.question) {
      ask.scrollIntoView();
      asked.querySelector('h1')?.focus({ preventScroll: true });
    }
    shownQuestion = d.call.question;
  }
  function noteForm() {
    if (!may('note')) return null;
    const note = h('input', { type: 'text', maxlength: 400, required: true, 'aria-label': t('call.note'), placeholder: t('call.note') });
    return h('form', { class: 'shelve', onsubmit: (e) => {
      e.preventDefault();
      send(`/calls/${id}/note`, { note: note.value.trim(), ...who() });
    } }, note, h('button', { type: 'submit' }, t('sheet.do_note')));
  }
  fetchIt().then(fetchRecord);
  const unwatch = watchEvents((e) => e.type === 'call' && e.call === id && setTimeout(fetchIt, 50));
  let connected = live.connected;
  return {
    title: t('call.title'),
    update() {
      if (live.connected && !connected) fetchIt();
      connected = live.connected;
      if (d?.asked) gauge.show(d.call.circuit);
    },
    close: unwatch,
  };
}

export function view(root, id) {
  if (!id) return listView(root);
  return circuitOf(id) ? beginView(root, id) : callView(root, id);
}
