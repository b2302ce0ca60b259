/* trace: which circuit a receptacle or a switch is on. The gateway says when to switch; the meters tell the rest. What
 * runs is kept in the tab, so that a page loaded anew goes on where it was. */
import { h, text, show, remake } from '/dom.js';
import { live, get, post, may } from '/live.js';
import { t, amps, chance, breakerIn, panelOf, capital, clockSeconds, nowLanguage } from '/say.js';
import { field } from '/login.js';

const KEY = 'tracing', HOUR = 3600e3, TRIES = 4;
const fresh = () => ({ place: '', part: '', kind: 'receptacle', watts: '', begins: [], tries: 0, plan: null, result: null, kept: [] });

let state = fresh();
const keep = () => sessionStorage.setItem(KEY, JSON.stringify(state));
const restore = () => { try { state = { ...fresh(), ...JSON.parse(sessionStorage.getItem(KEY)) }; } catch { state = fresh(); } };

/* ---- the beat ---- */

let ahead = 0; /* ms: the gateway's clock before this one */
const now = () => Date.now() + ahead;

let sound = null;
function beep(on) {
  try {
    sound ??= new AudioContext();
    const tone = sound.createOscillator(), loud = sound.createGain();
    tone.frequency.value = on ? 880 : 440;
    loud.gain.setValueAtTime(0.3, sound.currentTime);
    loud.gain.exponentialRampToValueAtTime(0.001, sound.currentTime + 0.35);
    tone.connect(loud).connect(sound.destination);
    tone.start();
    tone.stop(sound.currentTime + 0.4);
  } catch { /* a device without sound: the plate says it too */ }
  navigator.vibrate?.(on ? 300 : [120, 80, 120]);
}

const query = () => {
  const q = new URLSearchParams({ begins: state.begins.map((b) => b / 1000).join(','), tries: state.tries });
  if (state.watts) q.set('amps', (state.watts / (live.site.nominal_volts || 120)).toFixed(3));
  if (state.kind === 'switch') q.set('light', 'true');
  return q;
};

async function begin() {
  const asked = Date.now(), a = await get('/trace');
  ahead = Date.parse(a.now) - (asked + Date.now()) / 2;
  state.begins = [...state.begins.filter((b) => now() - b < HOUR * 0.8).slice(-7), Date.parse(a.begin)];
  state.tries += 1;
  state.plan = a.plan;
  state.result = null;
  keep();
}

/* ---- what is said ---- */

function verdict(r) {
  const [a, b] = r.circuits.map(breakerIn);
  if (r.verdict === 'one') return t('trace.one', { breaker: a, amps: amps(r.amps) });
  if (r.verdict === 'two') return t('trace.two', { a, b });
  if (r.verdict === 'unmetered') return r.panel ? t('trace.unmetered_in', { panel: panelOf(r.panel)?.name ?? r.panel }) : t('trace.unmetered');
  return t('trace.' + r.verdict);
}

const cautions = () => h('section', { class: 'cautions' }, h('h2', {}, t('trace.before')), h('p', {}, t('trace.who')), h('p', {}, t('trace.load')), h('p', {}, t('caution.1')), h('p', { class: 'small' }, t('trace.proof') + ' ' + t('caution.3')));

/* ---- the steps ---- */

function form(start) {
  const place = field('trace.place', { maxlength: 90, required: true, value: state.place, placeholder: t('trace.place_like'), autocapitalize: 'sentences' });
  const watts = field('trace.watts', { type: 'number', min: 5, max: 3000, inputmode: 'numeric', value: state.watts });
  const pick = (name, values, label) => h('p', { class: 'field' }, h('label', {}, t(label) + ' ', h('select', { name, onchange: (e) => { state[name] = e.target.value; half.hidden = state.kind !== 'receptacle'; } }, values.map((v) => h('option', { value: v, selected: v === state[name] }, t(`trace.${name}.${v || 'whole'}`))))));
  const half = pick('part', ['', 'upper', 'lower'], 'trace.part');
  half.hidden = state.kind !== 'receptacle';
  const said = h('p', { class: 'answer', role: 'alert' });
  return h('form', { class: 'entry', onsubmit: (e) => {
    e.preventDefault();
    Object.assign(state, { place: place.input.value.trim(), watts: watts.input.value, tries: 0 });
    if (state.kind !== 'receptacle') state.part = '';
    sound ??= window.AudioContext ? new AudioContext() : null; /* a browser lets a touch begin it */
    start().catch((x) => text(said, x.message));
  } }, place.el, pick('kind', ['receptacle', 'switch'], 'trace.kind'), half, watts.el, h('p', { class: 'small' }, t('trace.ready')), h('p', {}, h('button', { type: 'submit', class: 'main' }, t('trace.start'))), said);
}

/* the large plate: what to do next, and in how many seconds */
function plate(stop) {
  const what = h('p', { class: 'beat-what', role: 'status', 'aria-live': 'assertive' }), count = h('p', { class: 'beat-count', 'aria-hidden': 'true' });
  const dots = h('p', { class: 'beat-dots', 'aria-hidden': 'true' }, state.plan.beats.map((b) => h('span', { class: b.on ? 'on' : 'off' })));
  const el = h('div', { class: 'beat' }, h('p', { class: 'small' }, state.place), what, count, dots, h('p', {}, h('button', { class: 'quiet', onclick: stop }, t('trace.stop'))));
  let told = -1;
  return { el, tick() {
    const at = now(), done = state.plan.beats.filter((b) => Date.parse(b.time) <= at).length, next = state.plan.beats[done];
    if (told === -1) told = done; /* loaded anew: no beeps for what is over */
    if (done > told) {
      beep(state.plan.beats[done - 1].on);
      told = done;
    }
    [...dots.children].forEach((d, i) => d.classList.toggle('done', i < done));
    const last = state.plan.beats[done - 1];
    el.dataset.on = String(Boolean(last?.on));
    text(what, !last ? t('trace.off_first') : last.on ? t('trace.on') : next ? t('trace.off') : t('trace.leave'));
    text(count, next ? t(next.on ? 'trace.on_in' : 'trace.off_in', { n: Math.max(0, Math.ceil((Date.parse(next.time) - at) / 1000)) }) : t('trace.reading'));
    return at >= Date.parse(state.plan.end);
  } };
}

function outcome(again, other) {
  const r = state.result, sure = ['one', 'two', 'unmetered'].includes(r.verdict), said = h('p', { class: 'answer', role: 'alert' });
  const done = state.kept.some((k) => k.place === state.place && k.part === state.part && k.at === state.begins.at(-1));
  const send = h('button', { class: 'main', disabled: done, onclick: () => {
    send.disabled = true;
    const by = live.session.person ? undefined : localStorage.getItem('by') || undefined;
    post('/directory/keep', { place: state.place, part: state.part, kind: state.kind, begins: query().get('begins'), tries: state.tries, amps: query().has('amps') ? Number(query().get('amps')) : undefined, light: state.kind === 'switch', by }).then(() => {
      state.kept.unshift({ place: state.place, part: state.part, at: state.begins.at(-1), said: verdict(r) });
      keep();
      other();
    }, (x) => { text(said, t('alarms.failed', { why: x.message })); send.disabled = false; });
  } }, t('trace.keep'));
  return h('section', { class: 'outcome' }, h('h2', {}, state.place + (state.part ? ' · ' + t('trace.part.' + state.part) : '')), h('p', { class: 'now', role: 'status' }, capital(verdict(r))),
    h('p', { class: 'small' }, sure ? t('trace.sure', { chance: chance(r.probability) }) : r.likeliest.length ? t('trace.likeliest', { list: r.likeliest.map((g) => `${breakerIn(g.circuit)} (${chance(g.probability)})`).join('; ') }) : '', r.unread ? ' ' + t('trace.unread_some', { n: r.unread }) : ''),
    h('div', { class: 'buttons' }, sure ? send : null, state.tries < TRIES && r.verdict !== 'unread' ? h('button', { onclick: again }, t('trace.again')) : null, h('button', { onclick: other }, t('trace.other'))), said);
}

const keptList = () => state.kept.length ? h('section', {}, h('h2', {}, t('trace.kept')), h('ul', { class: 'happened' }, state.kept.map((k) => h('li', {}, h('time', {}, clockSeconds(k.at)), ' ', h('b', {}, k.place + (k.part ? ` (${t('trace.part.' + k.part)})` : '')), ' ', k.said)))) : null;

export function view(root) {
  restore();
  const box = h('div', {}), list = h('div', {}), back = h('p', { class: 'crumb' }, h('a', { href: '#/directory' }, '◀ ' + t('nav.directory')));
  root.replaceChildren(back, h('h1', { class: 'page-title' }, t('trace.title')), may('name') ? box : h('p', {}, t('trace.not_you')), list);
  let timer = 0, closed = false;
  const clear = () => { clearInterval(timer); timer = 0; };
  const show_ = () => { remake(list, nowLanguage() + state.kept.length, () => keptList() ?? []); };
  function choose() {
    clear();
    Object.assign(state, { plan: null, result: null, tries: 0 });
    keep();
    box.replaceChildren(form(start), cautions());
    show_();
  }
  async function start() {
    await begin();
    run();
  }
  function fault(x) {
    box.replaceChildren(h('p', { class: 'answer', role: 'alert' }, x.message), h('p', {}, h('button', { onclick: choose }, t('trace.other'))));
  }
  function run() {
    clear();
    const p = plate(choose);
    box.replaceChildren(p.el);
    timer = setInterval(() => {
      if (p.tick()) {
        clear();
        ask(now());
      }
    }, 100);
    p.tick();
  }
  /* the last readings reach the disk within ten seconds */
  async function ask(since) {
    while (!closed && state.plan && !state.result) {
      const a = await get('/trace?' + query()).catch((x) => { fault(x); return null; });
      if (!a) return;
      if (a.state === 'judged') state.result = a.result;
      else if (now() - since > 45000) return fault(new Error(t('trace.no_readings')));
      else await new Promise((f) => setTimeout(f, 1000));
    }
    if (closed || !state.result) return;
    keep();
    tell();
  }
  function tell() {
    box.replaceChildren(outcome(() => start().catch(fault), () => { state.place = ''; choose(); }));
    show_();
  }
  if (may('name')) {
    if (state.result) tell();
    else if (state.plan) run();
    else choose();
  }
  return { title: t('trace.title'), close() { closed = true; clear(); } };
}
