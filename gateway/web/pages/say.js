/* say: words, numbers and times as this person's language and the site's clock have them. */
import { en, es } from '/words.js';
import { live } from '/live.js';

const languages = { en, es };
let language = 'en';
let locale = 'en-US';
let numbers = new Map();
let phrases = null; /* what the gateway has in this language beside */

export function chooseLanguage(wanted) {
  const kept = wanted || localStorage.getItem('language') || navigator.language || 'en';
  language = kept.toLowerCase().startsWith('es') ? 'es' : 'en';
  locale = (navigator.languages || []).find((l) => l.toLowerCase().startsWith(language)) || (language === 'es' ? 'es-US' : 'en-US');
  numbers = new Map();
  if (wanted) localStorage.setItem('language', wanted);
  document.documentElement.lang = language;
}
/* a view's own sentences: { en, es } */
export const addWords = (more) => { for (const k of Object.keys(languages)) Object.assign(languages[k], more[k]); };
export const nowLanguage = () => language;
export const usePhrases = (code, all) => { phrases = code === language ? all : phrases; };
export const phrase = (group, key) => (language === 'en' ? undefined : phrases?.[group]?.[key]);

/* t('panel.fed', {by: 'x'}) */
export function t(key, values) {
  const sentence = languages[language][key] ?? en[key] ?? key;
  return sentence.replace(/\{(\w+)\}/g, (_, name) => values?.[name] ?? '');
}

export const isSaid = (key) => key in en;

export function number(v, digits = 1) {
  if (v === null || v === undefined || !Number.isFinite(v)) return '–';
  if (!numbers.has(digits))
    numbers.set(digits, new Intl.NumberFormat(locale, { minimumFractionDigits: digits, maximumFractionDigits: digits }));
  return numbers.get(digits).format(v === 0 ? 0 : v);
}
export const amps = (v, digits = 1) => number(v, digits) + '\u00a0A';
export const rating = (v) => number(v, Number.isInteger(v) ? 0 : 1) + '\u00a0A';
export const percent = (share) => number(100 * share, 0) + '\u00a0%';
/* what is surer than can be known is not said */
export const chance = (p) => (p > 0.99 ? t('over', { n: '99\u00a0%' }) : p < 0.01 ? t('under', { n: '1\u00a0%' }) : percent(p));

function dated(options) {
  return new Intl.DateTimeFormat(locale, { timeZone: live.site?.timezone, ...options });
}
export const clock = (at) => dated({ hour: 'numeric', minute: '2-digit' }).format(new Date(at));
export const clockSeconds = (at) => dated({ hour: 'numeric', minute: '2-digit', second: '2-digit' }).format(new Date(at));
export const day = (at) => dated({ weekday: 'short', day: 'numeric', month: 'short' }).format(new Date(at));
export const date = (at) => dated({ day: 'numeric', month: 'short', year: 'numeric' }).format(new Date(at));
export const moment = (at) => dated({ day: 'numeric', month: 'short', year: 'numeric', hour: 'numeric', minute: '2-digit', second: '2-digit', timeZoneName: 'short' }).format(new Date(at));
export const dayClock = (at) =>
  day(at) === day(Date.now()) ? clock(at) : day(at) + ', ' + clock(at);

const plural = (n, unit) => t(n === 1 ? unit + '.one' : unit + '.many', { n: number(n, 0) });
/* about so long, in the one unit that says it best */
export function duration(seconds) {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds)) return t('not_at_this');
  if (seconds < 90) return plural(Math.max(1, Math.round(seconds)), 'second');
  if (seconds < 5400) return plural(Math.round(seconds / 60), 'minute');
  if (seconds < 129600) return plural(Math.round(seconds / 3600), 'hour');
  return plural(Math.round(seconds / 86400), 'day');
}

export function appliance(load) {
  if (load.name) return load.name;
  const key = load.appliance;
  if (!key || key === 'unknown') return t('load.unknown');
  if (key === 'standing_load') return t('load.standing');
  return phrase('appliances', key) ?? key.replaceAll('_', ' ');
}

/* why something did not work: the gateway says it in English, other languages have it by its status */
export function faultSaid(e) {
  if (!e.status) return e instanceof TypeError ? t('fault.network') : e.message;
  if (e.status === 429) return t('fault.429', { time: duration(e.wait) });
  return language === 'en' ? e.message : t('fault.' + ([400, 401, 403, 404, 409].includes(e.status) ? e.status : 'else'), { n: e.status });
}
/* who did it, when nobody gave a name */
export const bySaid = (by) => (by === 'page' ? t('by.page') : by?.replace(/\(visit\)/, t('by.visit')));

export const circuitOf = (id) => live.site?.circuits.find((c) => c.circuit === id);
export const panelOf = (id) => live.site?.panels.find((p) => p.panel === id);
/* "7 Up: bath and hall" */
export function breaker(id) {
  const c = circuitOf(id);
  return c ? t('breaker.named', { position: c.position, name: c.name }) : id;
}
/* "breaker 7 (Up: bath and hall)", for sentences; the first letter is made large where one begins */
export function breakerSaid(id) {
  const c = circuitOf(id);
  return c ? t('breaker.said', { position: c.position, name: c.name }) : id;
}
export const capital = (words) => words.charAt(0).toLocaleUpperCase(locale) + words.slice(1);

export function breakerIn(id) {
  const c = circuitOf(id);
  return c ? t('breaker.in', { breaker: breaker(id), panel: panelOf(c.panel)?.name ?? c.panel }) : id;
}
