/* frame: what is around the views of either page, the gateway's and the centre's: language and brightness. */
import { h } from '/dom.js';
import { t, chooseLanguage, nowLanguage } from '/say.js';

export function chooseTheme(theme) {
  if (theme) localStorage.setItem('theme', theme);
  const kept = localStorage.getItem('theme') || 'auto';
  document.documentElement.dataset.theme = kept;
  window.dispatchEvent(new Event('themechange'));
  return kept;
}

function select(label, options, value, choose) {
  return h('label', { class: 'pick' }, h('span', { class: 'sr' }, label),
    h('select', { onchange: (e) => choose(e.target.value), 'aria-label': label }, options.map(([v, words, lang]) => h('option', { value: v, selected: v === value, lang }, words))));
}

/* again: what is done when another language was chosen */
export const picks = (again) => h('div', { class: 'picks' },
  select(t('language.label'), [['en', 'English', 'en'], ['es', 'Español', 'es']], nowLanguage(), (v) => { chooseLanguage(v); again(); }),
  select(t('theme.label'), ['auto', 'light', 'dark'].map((v) => [v, t('theme.' + v)]), localStorage.getItem('theme') || 'auto', chooseTheme));
