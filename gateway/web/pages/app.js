/* app: the frame around the views, and which view is shown. */
import { h, text, attr, show } from '/dom.js';
import { live, start, watch, age, may, OLD_SECONDS } from '/live.js';
import { t, faultSaid, chooseLanguage, duration, clockSeconds, clock } from '/say.js';
import { chooseTheme, picks } from '/frame.js';
import { loadPhrases } from '/phrases.js';
import * as panel from '/panel.js';

/* the start comes with the page; the others when they are asked for */
const views = {
  panel: async () => panel,
  circuit: () => import('/circuit.js'),
  trips: () => import('/trips.js'),
  trip: () => import('/trip.js'),
  call: () => import('/call.js'),
  alarms: () => import('/alarms.js'),
  advice: () => import('/advice.js'),
  study: () => import('/study.js'),
  people: () => import('/people.js'),
  directory: () => import('/directory.js'),
  trace: () => import('/trace.js'),
};

const head = document.getElementById('head');
const foot = document.getElementById('foot');
const main = document.getElementById('main');
const stale = document.getElementById('stale');
let shown = null, frame = null, address = null;

function where() {
  const [name, ...rest] = decodeURIComponent(location.hash.replace(/^#\/?/, '')).split('/');
  return views[name] ? { name, id: rest.join('/') } : { name: 'panel', id: '' };
}

/* ---- the frame ---- */

function makeFrame() {
  const link = (name) => h('a', { href: '#/' + name, 'data-view': name }, t(name === 'people' && !may('people') ? 'nav.me' : 'nav.' + name), name === 'alarms' ? h('span', { class: 'count', hidden: true }) : null);
  const asOf = h('span', { class: 'as-of' });
  const nav = h('nav', { 'aria-label': t('nav.label') }, live.site ? ['panel', 'trips', 'alarms', 'directory', 'advice', 'study', 'people'].map(link) : null);
  /* on a phone they stand at the foot, out of the way of what is looked for */
  const other = () => loadPhrases().then(() => again());
  head.replaceChildren(
    h('p', { class: 'site' }, h('a', { href: '#/panel' }, live.site?.name ?? 'foretrip'), asOf), nav,
    picks(other));
  foot.replaceChildren(picks(other), h('p', {}, t('foot', { version: live.site?.version ?? '' }), ' · ', h('a', { href: '/api/v1/openapi.json' }, t('foot.api'))));
  text(document.getElementById('skip'), t('skip'));
  return { asOf, nav, count: nav.querySelector('.count') };
}

function tellAge() {
  const old = age();
  let words = '';
  if (old === Infinity) words = t('stale.never');
  else if (old > OLD_SECONDS) words = t('stale.old', { age: duration(old) });
  else if (live.movedAt && performance.now() - live.movedAt > 15000) words = t('stale.frame', { time: clock(live.frameAt) });
  show(stale, words);
  text(stale, words);
  document.body.classList.toggle('old', Boolean(words));
  if (frame.asOf) text(frame.asOf, live.frameAt ? t('as_of', { time: clockSeconds(live.frameAt) }) : '');
}

/* ---- the views ---- */

async function go() {
  const to = where();
  const mine = (address = JSON.stringify(to));
  try {
    const module = await views[to.name]();
    if (address !== mine) return;
    shown?.close?.();
    shown = module.view(main, to.id);
  } catch (e) {
    shown = null;
    main.replaceChildren(h('h1', {}, t('error.title')), h('p', {}, t('error.text', { why: faultSaid(e) })), h('button', { onclick: go }, t('error.again')));
  }
  for (const a of frame.nav.children) attr(a, 'aria-current', a.dataset.view === to.name ? 'page' : null);
  document.title = [shown?.title, live.site?.name].filter(Boolean).join(' · ');
  tick();
}

function tick() {
  tellAge();
  const n = panel.standing().filter((a) => a.state === 'unacknowledged').length;
  show(frame.count, n);
  text(frame.count, n ? String(n) : '');
  shown?.update?.();
}

let again = () => {
  frame = makeFrame();
  go();
};

chooseLanguage();
chooseTheme();
frame = makeFrame();
window.addEventListener('hashchange', () => {
  if (!live.site) return;
  window.scrollTo(0, 0);
  go().then(() => main.focus({ preventScroll: true }));
});

/* the way in, and nothing else */
function askWho() {
  const login = async () => {
    frame = makeFrame();
    shown = (await import('/login.js')).view(main);
    document.title = shown.title;
  };
  again = login;
  return login();
}

async function begin() {
  try {
    if (!(await Promise.all([start(), loadPhrases()]))[0]) return await askWho();
  } catch (e) {
    main.replaceChildren(h('p', { class: 'wait' }, t('stale.never')));
    setTimeout(begin, 3000);
    return;
  }
  again();
  watch(tick);
  performance.mark('first-view');
}
begin();
