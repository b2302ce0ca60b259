/* phrases: what is said of an alarm, in the language of whoever reads. English is the gateway's own text; another
 * language has its sentences from the gateway as well (the same that letters are written in), with blanks. */
import { live, get } from '/live.js';
import { t, amps, appliance, breakerSaid, circuitOf, panelOf, duration, dayClock, nowLanguage } from '/say.js';

const kept = new Map();
export function loadPhrases(then) {
  const code = nowLanguage();
  if (code === 'en' || kept.has(code)) return;
  kept.set(code, null);
  get('/phrases?language=' + code).then((d) => { kept.set(code, d.matters); then(); }, () => kept.delete(code));
}
/* changes when more can be said */
export const phrasesKey = () => nowLanguage() + (kept.get(nowLanguage()) ? '+' : '');

function fill(sentence, a) {
  const c = circuitOf(a.circuit), loads = (a.switch_off || []).map((l) => appliance(l) + ' ' + amps(l.amps)).join(', ');
  const values = { site: live.site.name, panel: panelOf(c?.panel ?? a.panel)?.name ?? '', position: c?.position ?? '', circuit: c?.name ?? '', meter: a.meter ?? '', loads: loads || t('load.unknown'), time: dayClock(a.raised_at), alarm: a.alarm, amps: a.amps?.toFixed(1) ?? '' };
  return sentence.replace(/\{(\w+)\}/g, (blank, name) => values[name] ?? blank);
}

/* {what, act, lang}: lang when it is not the page's own */
export function alarmSaid(a) {
  const english = nowLanguage() === 'en', state = live.circuits.get(a.circuit);
  const cause = live.trips.find((x) => x.circuit === a.circuit && x.stage !== 'withdrawn')?.cause;
  const said = kept.get(nowLanguage())?.[a.kind !== 'trip' ? a.kind : 'trip_' + (a.circuit ? cause : 'supply_outage')];
  const act = said?.act ? { act: fill(said.act, a) } : { act: a.advice, lang: english ? null : 'en' };
  if (a.kind === 'near_overload') {
    const left = state?.trip_seconds?.p50, breaker = breakerSaid(a.circuit);
    return { ...act, what: left ? t('now.near', { breaker, time: duration(left) }) : t('now.near_soon', { breaker }) };
  }
  if (a.kind === 'trip') return { ...act, what: a.circuit ? t('now.open', { breaker: breakerSaid(a.circuit) }) : t('now.outage') };
  if (said?.what) return { ...act, what: fill(said.what, a) };
  return { ...act, what: a.text, textLang: english ? null : 'en' };
}
