/* fleet: the frame around the views of a centre's page, and which view is shown. */
import { h, text, attr, show } from '/dom.js';
import { live, get, may } from '/live.js';
import { t, addWords, faultSaid, chooseLanguage, duration } from '/say.js';
import { chooseTheme, picks } from '/frame.js';
import { words } from '/fleet-words.js';
import { heard } from '/fleet-parts.js';
import * as today from '/today.js';

const views = {
  today: async () => today,
  units: () => import('/units.js'),
  unit: () => import('/unit.js'),
  openings: () => import('/openings.js'),
  orders: () => import('/orders.js'),
  order: () => import('/order.js'),
  'new-order': () => import('/new-order.js'),
  people: () => import('/people.js'),
};
const OLD_SECONDS = 60;

const head = document.getElementById('head'), foot = document.getElementById('foot'), main = document.getElementById('main'), stale = document.getElementById('stale');
let shown = null, frame = null, address = null;

/* a contractor begins with their jobs */
const start = () => (may('portfolio') ? 'today' : 'orders');

function where() {
  const [name, ...rest] = location.hash.replace(/^#\/?/, '').split('/').map(decodeURIComponent);
  return views[name] && (name !== 'today' || may('portfolio')) ? { name, rest } : { name: start(), rest: [] };
}

function makeFrame() {
  const named = (name) => (name === 'people' && !may('people') ? 'nav.me' : name === 'orders' && !may('orders') ? 'nav.jobs' : 'nav.' + name);
  const pages = !live.session || (live.session.login && !live.session.person) ? [] : [...(may('portfolio') ? ['today', 'units', 'openings'] : []), 'orders', 'people'];
  const nav = h('nav', { 'aria-label': t('nav.label') }, pages.map((name) => h('a', { href: '#/' + name, 'data-view': name }, t(named(name)))));
  head.replaceChildren(h('p', { class: 'site' }, h('a', { href: '#/' + start() }, may('portfolio') ? t('fleet.title') : 'foretrip')), nav, picks(() => again()));
  foot.replaceChildren(picks(() => again()), h('p', {}, t('fleet.foot'), ' · ', h('a', { href: '/api/v1/openapi.json' }, t('foot.api'))));
  text(document.getElementById('skip'), t('fleet.skip'));
  return { nav };
}

function tellAge() {
  const old = heard.at ? (performance.now() - heard.at) / 1000 : 0;
  show(stale, old > OLD_SECONDS);
  if (old > OLD_SECONDS) text(stale, t('fleet.stale', { age: duration(old) }));
}

const OF = { unit: 'units', order: 'orders', 'new-order': 'orders' };

async function go() {
  const to = where(), mine = (address = JSON.stringify(to));
  try {
    const module = await views[to.name]();
    if (address !== mine) return;
    shown?.close?.();
    shown = module.view(main, ...to.rest);
  } catch (e) {
    shown = null;
    main.replaceChildren(h('h1', {}, t('error.title')), h('p', {}, t('error.text', { why: faultSaid(e) })), h('button', { onclick: go }, t('error.again')));
  }
  for (const a of frame.nav.children) attr(a, 'aria-current', a.dataset.view === (OF[to.name] ?? to.name) ? 'page' : null);
  document.title = [shown?.title, 'foretrip'].filter(Boolean).join(' · ');
  shown?.update?.();
}

let again = () => {
  frame = makeFrame();
  return go();
};

function askWho() {
  const login = async () => {
    frame = makeFrame();
    shown = (await import('/login.js')).view(main);
    document.title = shown.title;
  };
  again = login;
  return login();
}

addWords(words);
chooseLanguage();
chooseTheme();
live.visits = false;
frame = makeFrame();
window.addEventListener('hashchange', () => {
  if (!live.session || (live.session.login && !live.session.person)) return;
  window.scrollTo(0, 0);
  go().then(() => main.focus({ preventScroll: true }));
});
setInterval(() => {
  tellAge();
  shown?.update?.();
}, 1000);

async function begin() {
  try {
    live.session = await get('/session');
  } catch (e) {
    main.replaceChildren(h('p', { class: 'wait' }, t('fleet.never')));
    setTimeout(begin, 3000);
    return;
  }
  if (live.session.login && !live.session.person) await askWho();
  else await again();
}
begin();
