/* circuit: one breaker, what it carries now, what it carried, and what hangs on it. */
import { h, s, text, attr, remake } from '/dom.js';
import { live, get, post, may, age } from '/live.js';
import { t, faultSaid, bySaid, amps, number, rating, percent, duration, appliance, breaker, circuitOf, panelOf, dayClock, clock, chance, nowLanguage, capital } from '/say.js';
import { standsAt, isOld, standing, cautions, tag } from '/panel.js';
import { chart } from '/chart.js';
import { hasEased } from '/phrases.js';
import { use } from '/use.js';

const fact = (label, value) => h('div', { class: 'fact' }, h('dt', {}, t(label)), value);

function gauge() {
  const fill = s('rect', { class: 'fill', height: 14, width: 0 });
  return { el: s('svg', { class: 'bar big', viewBox: '0 0 125 14', preserveAspectRatio: 'none', 'aria-hidden': 'true' },
    s('rect', { class: 'ground', width: 125, height: 14 }), fill, s('rect', { class: 'notch', x: 79.85, width: 0.3, height: 14 }), s('rect', { class: 'full', x: 99.8, width: 0.4, height: 14 })), fill };
}

function room(state) {
  const now = state.headroom_amps, long = state.headroom_3h_amps;
  if (now === null) return '–';
  if (now < 0.1) return t('circuit.room_none');
  return [t('circuit.room_now', { amps: amps(now) }), long !== null && long >= 0.1 ? t('circuit.room_3h', { amps: amps(long) }) : null].filter(Boolean).join('\n');
}

function chances(state) {
  const times = { '1m': 60, '5m': 300, '15m': 900, '60m': 3600 };
  return h('table', { class: 'chances' }, h('caption', {}, t('circuit.chances')),
    h('tbody', {}, h('tr', {}, Object.values(times).map((n) => h('th', { scope: 'col' }, t('circuit.within', { time: duration(n) })))),
      h('tr', {}, Object.keys(times).map((k) => h('td', {}, chance(state.trip_chance?.[k] ?? 0))))));
}

/* what is listed and the rest add up to the reading; what is too small to be listed is in the rest */
function running(state) {
  const all = state.loads || [], loads = all.filter((l) => l.amps >= 0.05);
  const rest = (state.rest_amps ?? 0) + all.reduce((sum, l) => sum + (l.amps < 0.05 ? l.amps : 0), 0);
  const unexplained = Math.abs(rest) < 0.05 ? null : h('li', { class: 'rest' }, h('span', {}, t(rest > 0 ? 'circuit.rest' : 'circuit.rest_less')), h('span', { class: 'run-amps' }, amps(rest)));
  if (!loads.length && !unexplained) return h('p', { class: 'small' }, t('circuit.running_none'));
  return h('ul', { class: 'running' }, loads.map((l) => h('li', {}, h('b', {}, appliance(l)), h('span', { class: 'run-amps' }, amps(l.amps)),
    h('span', { class: 'small' }, l.appliance === 'standing_load' ? '' : t('sheet.since', { time: dayClock(l.since) }) + (l.appliance !== 'unknown' ? ', ' + chance(l.probability) + ' ' + t('sheet.probability') : '')))), unexplained);
}

/* the day as 24 bars: when it usually begins to run */
function hours(k) {
  const most = Math.max(...k.hours, 0.001), best = k.hours.indexOf(Math.max(...k.hours));
  return s('svg', { class: 'hours', viewBox: '0 0 96 20', role: 'img', 'aria-label': t('known.hours_alt', { hour: best + ':00' }) },
    k.hours.map((v, i) => s('rect', { x: i * 4, y: 20 - (19 * v) / most, width: 3, height: Math.max(0.5, (19 * v) / most) })));
}

function nameForm(circuit, k, place) {
  const name = h('input', { type: 'text', maxlength: 40, value: k.name, 'aria-label': t('known.name') });
  const said = h('span', { class: 'small', role: 'status' });
  const form = h('form', { class: 'shelve', onsubmit: (e) => {
    e.preventDefault();
    post(`/circuits/${circuit}/name`, { load: k.load, name: name.value.trim() }).then(() => text(said, t('known.named')), (x) => text(said, t('alarms.failed', { why: faultSaid(x) })));
  } }, name, h('button', { type: 'submit' }, t('known.keep')), said);
  place.append(form);
  name.focus();
}

function nameButton(circuit, k) {
  const place = h('div', {});
  const button = h('button', { class: 'quiet', onclick: () => (place.firstChild ? place.replaceChildren() : nameForm(circuit, k, place)) }, t('known.name'));
  return may('name') ? [button, place] : null;
}

function known(circuit, list) {
  if (!list.length) return h('p', { class: 'small' }, t('circuit.known_none'));
  return h('div', { class: 'scroll', tabindex: '0' }, h('table', {},
    h('thead', {}, h('tr', {}, ['load', 'amps', 'long', 'often', 'hours', 'share', 'last'].map((k) => h('th', { scope: 'col' }, t('known.' + k))), h('th', { scope: 'col' }, h('span', { class: 'sr' }, t('known.name'))))),
    h('tbody', {}, list.map((k) => h('tr', {}, h('th', { scope: 'row' }, appliance(k), k.name || k.appliance === 'unknown' ? '' : h('span', { class: 'small' }, ' ' + chance(k.probability))),
      h('td', {}, amps(k.amps)), h('td', {}, duration(k.seconds)), h('td', {}, number(k.per_day, 1)), h('td', {}, hours(k)), h('td', {}, percent(k.share)), h('td', {}, dayClock(k.last_seen)), h('td', {}, nameButton(circuit, k)))))));
}

/* what its days say that the circuit is: one appliance, several, or what it is most like */
function whole(w) {
  if (!w) return '';
  const kind = { not_judged: 'early', several: 'several', unknown: w.likely ? 'like' : '' }[w.appliance] ?? 'one';
  return kind ? h('p', { class: 'circuit-is', 'data-kind': kind }, t('whole.' + kind, { appliance: appliance({ appliance: w.likely || w.appliance }), chance: chance(w.probability), time: duration(86400 * w.days) })) : '';
}

function happened(events) {
  const list = events.filter((e) => !e.type.startsWith('load_')).reverse().slice(0, 30);
  if (!list.length) return h('p', { class: 'small' }, t('circuit.events_none'));
  const words = (e) => {
    if (e.type === 'trip') return h('a', { href: '#/trip/' + e.trip }, t('kind.trip') + ': ' + t('cause.' + e.cause) + ' (' + t('stage.' + e.stage) + ')');
    if (e.type === 'restored') return t('sheet.restored');
    if (e.type === 'opened_again') return t('kind.opened_again');
    if (e.type === 'trip_corrected') return t('sheet.corrected', { by: bySaid(e.by), cause: t('cause.' + e.cause), time: clock(e.time) });
    if (e.type === 'breaker_replaced') return t('circuit.replaced', { by: bySaid(e.by) }) + (e.note ? ': “' + e.note + '”' : '');
    if (e.type === 'trip_note') return bySaid(e.by) + ': “' + e.note + '”';
    return t('kind.' + e.kind) + ': ' + t('astate.' + e.state);
  };
  return h('ol', { class: 'happened' }, list.map((e) => h('li', {}, h('time', { datetime: e.time }, dayClock(e.time)), ' ', words(e))));
}

export function view(root, id) {
  const circuit = circuitOf(id);
  if (!circuit) throw new Error(id);
  const c = chart(circuit), g = gauge(), used = use(circuit);
  const figure = h('span', { class: 'huge' }), share = h('span', { class: 'of' });
  const at = h('dd', {}), heat = h('dd', {}), left = h('dd', {}), watts = h('dd', {}), standingAmps = h('dd', {}), reading = h('dd', {});
  const tags = h('div', { class: 'tags' }), chancesBox = h('div', {}), runningBox = h('div', {}), knownBox = h('div', {}), eventsBox = h('div', {});
  const panel = panelOf(circuit.panel);
  root.replaceChildren(
    h('p', { class: 'crumb' }, h('a', { href: '#/panel' }, '◀ ' + panel.name)),
    h('h1', { class: 'circuit-title' }, h('span', { class: 'door-no' }, circuit.position), circuit.name),
    h('p', { class: 'plate' }, [t('circuit.rating') + ' ' + rating(circuit.rating_amps) + (circuit.curve ? ' ' + circuit.curve : ''), t('circuit.leg') + ' ' + circuit.leg, circuit.essential ? t('row.essential') : null, circuit.feeds ? t('panel.to', { panel: panelOf(circuit.feeds).name }) : null].filter(Boolean).join(' · ')),
    tags,
    h('div', { class: 'circuit-now', 'data-slot': '', 'data-private': !may('see_loads') }, h('p', { class: 'big-figure' }, figure, share), g.el,
      h('dl', { class: 'facts' }, fact('circuit.state', at), fact('circuit.heat', heat), may('see_loads') ? [fact('circuit.room', left), fact('circuit.watts', watts), fact('circuit.standing', standingAmps)] : null, fact('circuit.reading', reading))),
    h('section', {}, h('h2', {}, t('circuit.running')), may('see_loads') ? runningBox : h('p', {}, t('hidden')), chancesBox),
    h('section', {}, h('h2', {}, t('circuit.history')), c.el),
    h('section', {}, h('h2', {}, t('use.title')), used.el, h('p', { class: 'no-print' }, h('a', { class: 'wide', href: '#/study/' + id }, t('use.add')))),
    may('see_loads') ? h('section', {}, h('h2', {}, t('circuit.known')), knownBox) : '',
    h('section', {}, h('h2', {}, t('circuit.events')), eventsBox),
    cautions());
  const now = root.querySelector('[data-slot]');
  let more = null, events = [], asked = 0;
  async function fetchMore() {
    asked = performance.now();
    const [one, said] = await Promise.all([get('/circuits/' + id), get(`/events?circuit=${id}&from=${(Date.now() / 1000 - 7 * 86400).toFixed(0)}`)]);
    more = one;
    events = said.events;
  }
  fetchMore().catch(() => {});
  return {
    title: breaker(id),
    update() {
      const state = live.circuits.get(id) ?? {}, where = isOld() ? 'lost' : standsAt(circuit), seen = where !== 'lost' && where !== 'none';
      text(figure, !seen ? '–' : may('see_loads') ? amps(state.amps) : '');
      text(share, seen && may('see_loads') ? t('row.load', { amps: '', rating: rating(circuit.rating_amps), percent: percent((state.load_percent ?? 0) / 100) }).trim() : '');
      attr(g.fill, 'width', seen ? Math.min(125, state.load_percent ?? 0).toFixed(1) : 0);
      attr(now, 'class', 'circuit-now slot-like');
      attr(now, 'data-load', state.load_percent > 100 ? 'over' : state.load_percent >= 80 ? 'high' : 'calm');
      text(at, where === 'unknown' ? capital(t('state.unknown_long')) : where === 'lost' && state.reading_at ? t('state.lost', { time: dayClock(state.reading_at) }) : where === 'lost' ? t('state.lost_never') : t('state.' + where));
      text(heat, seen ? percent(state.heat ?? 0) : '–');
      text(left, seen && where !== 'open' && where !== 'off' && where !== 'dark' ? room(state) : '–');
      text(watts, seen ? number(state.watts, 0) + '\u00a0W' : '–');
      text(standingAmps, seen ? amps(state.standing_amps) : '–');
      text(reading, state.reading_at ? dayClock(state.reading_at) + '\n' + t('circuit.aged', { time: duration(state.reading_age_seconds + Math.max(0, age() - 1)) }) : '–');
      const mine = isOld() ? [] : standing().filter((a) => a.circuit === id);
      remake(tags, nowLanguage() + mine.map((a) => a.seq + ':' + duration(state.trip_seconds?.p50) + hasEased(a)).join(), () => mine.map(tag));
      remake(runningBox, JSON.stringify([nowLanguage(), state.loads, state.rest_amps]), () => running(state));
      remake(chancesBox, JSON.stringify([nowLanguage(), state.trip_chance]), () => (seen && (state.amps > 0.5 || !may('see_loads')) ? chances(state) : null));
      if (more) remake(knownBox, nowLanguage() + JSON.stringify(more), () => [whole(more.circuit_is), known(id, more.known_loads)]);
      remake(eventsBox, nowLanguage() + events.map((e) => e.seq).join(), () => happened(events));
      if (performance.now() - asked > 15000) fetchMore().catch(() => {});
      c.update();
      used.update();
    },
    close: () => c.close(),
  };
}
