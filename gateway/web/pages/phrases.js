/* phrases: what is said of an alarm, in the language of whoever reads. English is the gateway's own text; another
 * language has its sentences from the gateway as well (the same that letters are written in), with blanks, and with
 * them the names of an alarm's figures and of appliances. They are there before the first view is made. */
import { live, get } from '/live.js';
import { t, amps, number, appliance, breakerSaid, circuitOf, panelOf, duration, dayClock, nowLanguage, usePhrases, phrase } from '/say.js';

export async function loadPhrases() {
  const code = nowLanguage();
  if (code !== 'en') usePhrases(code, await get('/phrases?language=' + code).catch(() => null));
}

function fill(sentence, a) {
  const c = circuitOf(a.circuit), loads = (a.switch_off || []).map((l) => appliance(l) + ' ' + amps(l.amps)).join(', ');
  const part = /\[([^\]]*\{\w+\}[^\]]*)\]/g; // left out where there is nothing to fill in
  const values = { site: live.site.name, panel: panelOf(c?.panel ?? a.panel)?.name ?? '', position: c?.position ?? '', circuit: c?.name ?? '', meter: a.meter ?? '', loads, time: dayClock(a.raised_at), alarm: a.alarm, amps: Number.isFinite(a.amps) ? number(a.amps, 1) : '' };
  const whole = sentence.replace(part, (all, inner) => ([...inner.matchAll(/\{(\w+)\}/g)].some(([, name]) => values[name] === '') ? '' : inner));
  return whole.replace(/\{(\w+)\}/g, (blank, name) => values[name] ?? blank);
}

/* A warning ends only when what it warned of has stayed away for a while: until then it says that it has eased. */
export function hasEased(a) {
  const state = live.circuits.get(a.circuit);
  return a.kind === 'near_overload' && Boolean(state) && state.trip_seconds?.p50 == null && state.headroom_amps >= 0.25 * state.rating_amps;
}

/* Its own breaker has not opened: one before it has, or the utility's supply is out. */
export const lostSupply = (x) => x.cause === 'supply_outage' || (x.cause === 'upstream_open' && x.upstream !== x.circuit);

/* What an alarm is of, in two words. */
export const kindSaid = (a) => t(a.kind === 'trip' && !a.circuit ? 'kind.outage' : 'kind.' + a.kind);

/* As what an opening is told, whatever opened it: a feeder is a matter for an electrician. */
export const toldAs = (circuit, cause) => (circuitOf(circuit)?.feeds && cause !== 'opened_by_hand' ? 'upstream_open' : cause);

/* Its figures say the cause of a trip alarm, as its advice goes; who may not see them has the trip's. What is not known is
 * told as the dangerous one, as in letters. */
const TOLD = new Set(['overload', 'fault', 'worn_breaker', 'opened_by_hand', 'upstream_open', 'supply_outage']);
const causeOf = (a) => a.figures?.find((f) => TOLD.has(f.what))?.what ?? live.trips.find((x) => x.circuit === a.circuit && x.stage !== 'withdrawn')?.cause;
function matterOf(a) {
  if (a.kind !== 'trip') return a.alert ? 'no_room' : a.kind;
  if (!a.circuit) return 'trip_supply_outage';
  const told = toldAs(a.circuit, causeOf(a));
  return 'trip_' + (TOLD.has(told) ? told : 'fault');
}

const OVER = new Set(['returned_unacknowledged', 'normal']);

/* {what, why, act, lang}: why is the cause of an open breaker, where it is known; lang when it is not the page's own */
export function alarmSaid(a) {
  const english = nowLanguage() === 'en', state = live.circuits.get(a.circuit);
  const said = phrase('matters', matterOf(a));
  const act = said?.act ? { act: fill(said.act, a) } : { act: a.advice, lang: english ? null : 'en' };
  if (a.kind === 'near_overload') {
    const left = a.alert ? null : state?.trip_seconds?.p50, breaker = breakerSaid(a.circuit);
    return { ...act, what: left ? t('now.near', { breaker, time: duration(left) }) : t(hasEased(a) ? 'now.near_eased' : 'now.near_soon', { breaker }) };
  }
  if (a.kind === 'trip' && OVER.has(a.state)) return { act: null, what: a.circuit ? t('now.back', { breaker: breakerSaid(a.circuit) }) : t('now.back_site') };
  if (a.kind === 'trip') return { ...act, what: a.circuit ? t('now.open', { breaker: breakerSaid(a.circuit) }) : t('now.outage'), why: a.circuit && TOLD.has(causeOf(a)) ? t('cause.' + causeOf(a)) : null };
  if (said?.what) return { ...act, what: fill(said.what, a) };
  return { ...act, what: a.text, textLang: english ? null : 'en' };
}

const DIGITS = { A: 1, V: 1, ohm: 2 };
const SIGN = { ohm: 'Ω' };

/* [name, value, lang]: one of the numbers for an electrician */
export function figureSaid(f) {
  const name = phrase('figures', f.what) ?? f.what.replaceAll('_', ' ');
  if (f.what === 'appliance') return [name, appliance({ appliance: f.text })];
  if (f.text !== undefined) return [name, f.text, f.what === 'reason' ? 'en' : null];
  if (f.value === undefined) return [name, ''];
  return [name, number(f.value, Number.isInteger(f.value) ? 0 : DIGITS[f.unit] ?? 0) + (f.unit ? '\u00a0' + (SIGN[f.unit] ?? f.unit) : '')];
}
