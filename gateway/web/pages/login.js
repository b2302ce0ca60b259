/* login: who is there? With a password, with a one-time code that lets them choose one, or for a visit. */
import { h, text } from '/dom.js';
import { live, post } from '/live.js';
import { t, faultSaid } from '/say.js';

let at = 0;
export function field(label, props) {
  const id = 'field-' + ++at;
  const input = h('input', { id, autocapitalize: 'none', spellcheck: 'false', ...props });
  return { input, el: h('p', { class: 'field' }, h('label', { for: id }, t(label)), input) };
}

const person = () => field('login.person', { name: 'person', autocomplete: 'username', required: true, value: localStorage.getItem('person') || '' });
const code = (label) => field(label, { name: 'code', autocomplete: 'one-time-code', required: true, class: 'code', maxlength: 20, placeholder: 'XXXX-XXXX-XXXX' });
const fresh = () => field('login.new', { name: 'password', type: 'password', autocomplete: 'new-password', required: true, minlength: 12 });

const ways = {
  password: { path: '/session', fields: () => [person(), field('login.password', { name: 'password', type: 'password', autocomplete: 'current-password', required: true })] },
  code: { path: '/session/choose', fields: () => [person(), code('login.code'), fresh()] },
  visit: { path: '/session', fields: () => [code('login.visit_code')] },
};

function form(way) {
  const fields = ways[way].fields(), said = h('p', { class: 'answer', role: 'alert' }), button = h('button', { type: 'submit', class: 'main' }, t('login.in'));
  return h('form', { class: 'entry', onsubmit: async (e) => {
    e.preventDefault();
    const body = Object.fromEntries(fields.map((f) => [f.input.name, f.input.value.trim()]));
    button.disabled = true;
    text(said, t('login.looking'));
    try {
      await post(ways[way].path, body);
      if (body.person) localStorage.setItem('person', body.person);
      location.reload();
    } catch (x) {
      text(said, faultSaid(x));
      button.disabled = false;
      fields[fields.length - 1].input.focus();
    }
  } }, fields.map((f) => f.el), way === 'code' ? h('p', { class: 'small' }, t('login.rules')) : null, h('p', {}, button), said);
}

export function view(root) {
  const place = h('div', {});
  const tabs = h('div', { class: 'buttons', role: 'group', 'aria-label': t('login.how') }, Object.keys(ways).filter((w) => w !== 'visit' || live.visits).map((w) => h('button', { 'data-way': w, onclick: () => choose(w) }, t('login.by_' + w))));
  function choose(way, quiet) {
    for (const b of tabs.children) b.setAttribute('aria-pressed', String(b.dataset.way === way));
    const f = form(way);
    place.replaceChildren(f);
    const empty = [...f.querySelectorAll('input')].find((i) => !i.value);
    if (!quiet || innerWidth > 700) empty?.focus();
  }
  root.replaceChildren(h('section', { class: 'login' }, h('h1', {}, t('login.title')), tabs, place, h('p', { class: 'small' }, t('login.help'))));
  choose('password', true);
  return { title: t('login.title') };
}
