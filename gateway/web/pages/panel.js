/* panel: the start. What matters now, in one sentence; warnings; each panel as its door shows it. */
import { h, s, text, attr, show, remake } from '/dom.js';
import { live, age, may, OLD_SECONDS } from '/live.js';
import { t, amps, rating, percent, duration, appliance, breaker, breakerSaid, breakerIn, capital, circuitOf, panelOf, dayClock, clock, chance, nowLanguage } from '/say.js';
import { twoColumns, rail } from '/door.js';
import { alarmSaid, hasEased, kindSaid, lostSupply, toldAs } from '/phrases.js';

const SILENT = new Set(['shelved', 'suppressed', 'out_of_service', 'returned_unacknowledged', 'normal']);
const URGENCY = { urgent: 0, high: 1, low: 2 };
const FULL = 125; /* the bar's end, percent of the rating */

/* ---- what stands ---- */

export function standing() {
  return [...live.alarms.values()]
    .filter((a) => !SILENT.has(a.state) && !(a.kind === 'near_overload' && isOpen(a.circuit)))
    .sort((a, b) => URGENCY[a.priority] - URGENCY[b.priority] || hasEased(a) - hasEased(b) || (a.raised_at < b.raised_at ? 1 : -1));
}

export const openTrips = () =>
  live.trips.filter((x) => x.stage !== 'withdrawn' && !x.restored_at && x.probability >= 0.5);

/* a breaker that has opened is near nothing any more */
const isOpen = (circuit) => openTrips().some((x) => x.circuit === circuit);

const tripOf = (circuit) => live.trips.find((x) => x.circuit === circuit && x.stage !== 'withdrawn');

/* Whoever may not see what is on sees no current either: then the age of the reading tells. */
const LOST_SECONDS = 30;
const isLost = (state) => (may('see_loads') ? state.amps === null : !state.reading_at || state.reading_age_seconds > LOST_SECONDS);

/* A branch whose feeder carries current again has its supply, and only nothing on. */
const fedAgain = (trip) => live.circuits.get(trip.upstream)?.state === 'closed';

/* 'closed', 'open', 'off', 'dark' (it lost its supply, and has not opened itself), 'unknown', 'lost', 'none' */
export function standsAt(circuit) {
  const state = live.circuits.get(circuit.circuit);
  if (!circuit.metered) return 'none';
  if (!state || isLost(state)) return 'lost';
  const trip = openTrips().find((x) => x.circuit === circuit.circuit);
  if (trip && lostSupply(trip)) return fedAgain(trip) ? 'unknown' : 'dark';
  if (trip) return trip.cause === 'opened_by_hand' ? 'off' : 'open';
  return state.state;
}

/* Whether what is known is too old to be shown as what is. */
export function isOld() {
  return age() > OLD_SECONDS || !live.frameAt;
}

function fullest() {
  let best = null;
  for (const c of live.site.circuits) {
    const state = live.circuits.get(c.circuit);
    if (state?.amps && (!best || state.load_percent > best.load_percent)) best = state;
  }
  return best;
}

export function whatMatters() {
  if (isOld()) return { text: t('now.unknown'), tone: 'old' };
  const first = standing()[0];
  if (first) return { text: capital(alarmSaid(first).what), tone: hasEased(first) ? 'low' : first.priority };
  const dark = openTrips(), open = dark.filter((x) => !lostSupply(x)); /* also when its alarm is shelved: an open breaker is never nothing */
  if (open.length) return { text: capital(open.length > 1 ? t('now.open_many', { n: open.length }) : t('now.open', { breaker: breakerSaid(open[0].circuit) })), tone: 'low' };
  if (dark.some((x) => !fedAgain(x))) return { text: t('now.dark', { n: dark.filter((x) => !fedAgain(x)).length }), tone: 'low' };
  const metered = live.site.circuits.filter((c) => c.metered), blind = metered.filter((c) => standsAt(c) === 'lost').length;
  if (blind === metered.length) return { text: t('now.unknown'), tone: 'old' };
  if (blind) return { text: t('now.blind', { n: blind, all: metered.length }), tone: 'low' };
  if (!may('see_loads')) return { text: t('now.fine'), tone: 'fine' };
  const best = fullest();
  if (!best || best.load_percent < 3) return { text: t('now.fine') + ' ' + t('now.idle'), tone: 'fine' };
  if (best.load_percent >= 105) return { text: t('now.over', { breaker: breakerSaid(best.circuit), percent: percent(best.load_percent / 100) }), tone: 'low' };
  return {
    text: t('now.fine') + ' ' + t('now.fullest', { breaker: breakerSaid(best.circuit), percent: percent(best.load_percent / 100) }),
    tone: 'fine',
  };
}

/* ---- warnings: a tag each, as it would hang on the breaker ---- */

function loadsList(loads) {
  return h('ul', { class: 'off-list' }, loads.map((l) => h('li', {}, h('b', {}, appliance(l)), ' ', amps(l.amps))));
}

/* what the warning named may have been switched off since */
const stillOn = (state, load) => (state.loads || []).some((l) => Math.abs(l.amps - load.amps) <= 0.2 * load.amps + 0.2);

function nearTag(a) {
  const state = live.circuits.get(a.circuit) || {};
  const band = state.trip_seconds, left = a.alert ? null : band?.p50;
  const named = (a.switch_off || []).filter((l) => stillOn(state, l));
  if (hasEased(a)) return h('p', { class: 'tag-big' }, t('warn.eased', { amps: amps(state.headroom_amps) }));
  const off = named.length ? named : (state.loads || []).filter((l) => l.appliance !== 'standing_load' && !l.essential && l.amps >= 1);
  return [
    h('p', { class: 'tag-big' }, left ? t('warn.left', { time: duration(left) }) : t('warn.no_room')),
    off.length && !a.alert ? h('div', { class: 'tag-off' }, h('h3', {}, t('warn.off')), loadsList(off), h('p', { class: 'small' }, t('warn.off_note'))) : null,
    left
      ? h('p', { class: 'small' }, t(may('see_loads') ? 'warn.band' : 'warn.band_only', { p50: duration(band.p50), p05: duration(band.p05), p95: duration(band.p95), amps: amps(state.amps ?? a.amps) }))
      : null,
  ];
}

function tripTag(a) {
  const trip = a.circuit ? tripOf(a.circuit) : null;
  const cause = trip?.cause ?? 'supply_outage', told = toldAs(a.circuit, cause), call = trip && !trip.restored_at && !lostSupply(trip);
  return [
    h('p', { class: 'tag-big' }, trip ? t('cause.' + cause) + ' · ' + chance(trip.causes?.[cause] ?? trip.probability) + ' ' + t('trips.sure') : t('cause.supply_outage')),
    h('p', {}, t('do.' + (trip?.opened_again_after_seconds ? 'again' : told))),
    h('p', { class: 'small' }, t('caution.tag')),
    trip ? h('p', {}, call ? h('a', { href: '#/call/' + trip.circuit, class: 'do' }, t('warn.call')) : null, ' ', h('a', { href: '#/trip/' + trip.trip, class: 'do' }, t('warn.sheet'))) : null,
  ];
}

function otherTag(a) {
  const said = alarmSaid(a);
  return [
    h('p', { lang: said.textLang }, said.what),
    said.act ? h('p', { lang: said.lang, class: 'small' }, said.act) : null,
    a.circuit ? h('p', {}, h('a', { href: '#/circuit/' + a.circuit, class: 'do' }, t('warn.circuit'))) : null,
  ];
}

export function tag(a) {
  const inside = a.kind === 'near_overload' ? nearTag(a) : a.kind === 'trip' ? tripTag(a) : otherTag(a);
  return h('article', { class: 'tag ' + a.priority },
    h('header', {},
      h('span', { class: 'tag-kind' }, kindSaid(a)),
      h('span', { class: 'tag-priority' }, t('priority.' + (a.alert ? 'alert' : a.priority)))),
    h('h2', {}, a.circuit ? h('a', { href: '#/circuit/' + a.circuit }, breakerIn(a.circuit)) : live.site.name),
    inside,
    h('p', { class: 'small tag-foot' }, t('alarms.raised', { time: dayClock(a.raised_at) })));
}

function tagKey(a) {
  const state = live.circuits.get(a.circuit);
  const trip = tripOf(a.circuit);
  return [a.alarm, a.state, a.seq, hasEased(a), state?.amps, state?.trip_seconds?.p50 && duration(state.trip_seconds.p50), trip?.cause, trip?.probability, trip?.opened_again_after_seconds].join('|');
}

/* ---- one breaker on the door ---- */

/* The handle: thrown toward the middle of the panel is closed, half way is tripped, outward is off. */
function handle() {
  const knob = s('rect', { class: 'knob', y: 4, width: 11, height: 12, rx: 1.5 });
  return { el: s('svg', { class: 'handle', viewBox: '0 0 38 20', 'aria-hidden': 'true' }, s('rect', { class: 'case', x: 1, y: 1, width: 36, height: 18, rx: 3 }), s('rect', { class: 'slit', x: 6, y: 7, width: 26, height: 6, rx: 1 }), knob), knob };
}

function bar() {
  const fill = s('rect', { class: 'fill', x: 0, y: 0, width: 0, height: 8 });
  const heat = s('rect', { class: 'heat-fill', x: 0, y: 10, width: 0, height: 3 });
  const el = s('svg', { class: 'bar', viewBox: '0 0 125 13', preserveAspectRatio: 'none', 'aria-hidden': 'true' },
    s('rect', { class: 'ground', x: 0, y: 0, width: FULL, height: 8 }), fill,
    s('rect', { class: 'heat-ground', x: 0, y: 10, width: 100, height: 3 }), heat,
    s('rect', { class: 'notch', x: 79.4, y: 0, width: 1.2, height: 8 }), s('rect', { class: 'full', x: 99.2, y: -1, width: 1.6, height: 15 }));
  return { el, fill, heat };
}

const KNOB = { closed: [22, 5], open: [13.5, 13.5], off: [5, 22], dark: [13.5, 13.5], unknown: [13.5, 13.5], lost: [13.5, 13.5], none: [13.5, 13.5] };

function stateWord(circuit, at, state) {
  if (at === 'lost') return state?.reading_at ? t('state.lost', { time: dayClock(state.reading_at) }) : t('state.lost_never');
  return t('state.' + at);
}

function whatIsOn(state) {
  const named = (state?.loads || []).filter((l) => l.amps >= 0.2 && l.appliance !== 'standing_load').slice(0, 2);
  return named.map((l) => appliance(l) + ' ' + amps(l.amps)).join(' · ');
}

function slot(circuit, side) {
  const b = bar(), k = handle();
  const name = h('span', { class: 'name' }, circuit.name);
  const what = h('span', { class: 'what' });
  const figure = h('span', { class: 'figure' });
  const sign = h('span', { class: 'sign' });
  const feeds = circuit.feeds && panelOf(circuit.feeds);
  const more = h('span', { class: 'sr' });
  const el = h('a', { class: 'slot ' + side, 'data-private': !may('see_loads'), href: '#/circuit/' + circuit.circuit },
    h('span', { class: 'no' }, circuit.position.split(',').map((p) => h('span', {}, p))),
    h('span', { class: 'words' }, name, feeds ? h('span', { class: 'feeds' }, t('panel.to', { panel: feeds.name })) : null, what),
    h('span', { class: 'load' }, figure, h('span', { class: 'rated' }, rating(circuit.rating_amps) + (circuit.curve ? ' ' + circuit.curve : '')), sign),
    b.el, k.el, more);
  return {
    el,
    update() {
      const state = live.circuits.get(circuit.circuit);
      const at = isOld() ? 'lost' : standsAt(circuit);
      const share = (state?.load_percent ?? 0) / 100;
      const known = at !== 'lost' && at !== 'none';
      const hot = known && state.heat >= 0.6;
      const over = known && share >= 0.8;
      text(figure, !known ? '–' : may('see_loads') ? amps(state.amps) : '');
      text(what, known && state.reading_age_seconds > OLD_SECONDS ? t('circuit.aged', { time: duration(state.reading_age_seconds) }) : known ? whatIsOn(state) : stateWord(circuit, at, state));
      text(sign, at === 'open' || at === 'off' || at === 'dark' ? t('state.' + at) : share > 1 && known ? t('row.over') : over ? t('row.over80') : hot ? t('row.hot') : '');
      attr(b.fill, 'width', known ? Math.min(FULL, 100 * share).toFixed(1) : 0);
      attr(b.heat, 'width', known ? Math.min(100, 100 * (state.heat ?? 0)).toFixed(1) : 0);
      attr(k.knob, 'x', KNOB[at][side === 'right' ? 1 : 0]);
      attr(el, 'data-at', at);
      attr(el, 'data-load', share > 1 ? 'over' : over ? 'high' : 'calm');
      attr(el, 'data-heat', hot ? 'hot' : null);
      attr(el, 'data-near', nearAlarmOf(circuit.circuit) ? 'near' : null);
      text(more, '; ' + inWords(circuit, state, at, share, known));
    },
  };
}

const nearAlarmOf = (id) => standing().some((a) => a.circuit === id && a.kind === 'near_overload');

/* what the bar and the handle say, for who does not see them */
function inWords(circuit, state, at, share, known) {
  const parts = [];
  if (known && may('see_loads')) parts.push(t('row.load', { amps: amps(state.amps), rating: rating(circuit.rating_amps), percent: percent(share) }), t('row.heat', { percent: percent(state.heat ?? 0) }));
  parts.push(at === 'unknown' ? t('state.unknown_long') : stateWord(circuit, at, state));
  return parts.join('; ');
}

/* ---- one panel ---- */

function ulDoor(circuits) {
  const plan = twoColumns(circuits);
  const rows = [];
  const grid = h('div', { class: 'door', role: 'list' });
  grid.style.setProperty('--rows', plan.rows);
  const all = [
    ...plan.slots.map((p) => ({ ...p, at: p.row })),
    ...plan.empty.map((p) => ({ ...p, at: p.row, span: 1, half: '' })),
  ].sort((a, b) => a.at - b.at || a.column - b.column || a.half.localeCompare(b.half));
  for (const p of all) {
    const side = p.column === 1 ? 'left' : 'right';
    const made = p.circuit ? slot(p.circuit, side) : null;
    const cell = h('div', { class: 'place' + (made ? '' : ' empty') + (p.span > 1 ? ' tall' : ''), role: 'listitem' },
      made ? made.el : [h('span', { class: 'no' }, String(p.place)), h('span', { class: 'none' }, t('panel.empty'))]);
    if (!made) cell.classList.add(side);
    cell.style.gridColumn = p.column;
    const from = 2 * p.row - 1 + (p.half === 'B' ? 1 : 0);
    cell.style.gridRow = `${from} / span ${p.half ? 1 : 2 * p.span}`;
    grid.append(cell);
    if (made) rows.push(made);
  }
  return { el: [grid, looseDoor(plan.loose, rows)], rows };
}

function looseDoor(circuits, rows) {
  if (!circuits.length) return null;
  return h('div', { class: 'loose' }, circuits.map((c) => {
    const made = slot(c, 'left');
    rows.push(made);
    return made.el;
  }));
}

function iecDoor(circuits) {
  const plan = rail(circuits), rows = [];
  const el = h('div', { class: 'rail', role: 'list' }, plan.slots.map((p) => {
    const made = slot(p.circuit, 'module');
    rows.push(made);
    const cell = h('div', { class: 'place', role: 'listitem' }, made.el);
    cell.style.setProperty('--modules', p.modules);
    return cell;
  }));
  return { el: [el, looseDoor(plan.loose, rows)], rows };
}

function legSums(panel) {
  const sums = new Map();
  for (const c of live.site.circuits) {
    const state = live.circuits.get(c.circuit);
    if (c.panel !== panel.panel || !state || state.amps === null) continue;
    for (const leg of c.leg) sums.set(leg, (sums.get(leg) || 0) + state.amps);
  }
  return [...sums].sort();
}

function panelCard(panel) {
  const circuits = live.site.circuits.filter((c) => c.panel === panel.panel);
  const door = live.site.standard === 'UL489' ? ulDoor(circuits) : iecDoor(circuits);
  const legs = h('p', { class: 'legs' });
  const fed = panel.fed_by ? t('panel.fed', { breaker: breaker(panel.fed_by) }) : t('panel.utility');
  const el = h('section', { class: 'panel' + (panel.fed_by ? ' sub' : ''), 'aria-labelledby': 'panel-' + panel.panel },
    h('header', { class: 'panel-head' },
      h('h2', { id: 'panel-' + panel.panel }, panel.name),
      h('p', { class: 'plate' }, t('panel.card', { rating: rating(panel.rating_amps), legs: t('legs.' + panel.legs) }), h('span', { class: 'fed' }, fed)),
      legs),
    door.el);
  return {
    el,
    update() {
      for (const r of door.rows) r.update();
      text(legs, isOld() || !may('see_loads') ? '' : legSums(panel).map(([leg, a]) => t('panel.leg', { leg }) + ' ' + amps(a, 0)).join(' · '));
    },
  };
}

/* panels in the order of the wiring: what is fed by a breaker of a panel comes right after it */
function inOrder(panels) {
  const out = [];
  const add = (p) => {
    if (out.includes(p)) return;
    out.push(p);
    for (const q of panels) if (q.fed_by && circuitOf(q.fed_by)?.panel === p.panel) add(q);
  };
  for (const p of panels) if (!p.fed_by) add(p);
  for (const p of panels) add(p);
  return out;
}

export function cautions() {
  return h('section', { class: 'cautions', 'aria-label': t('caution.title') }, h('h2', {}, t('caution.title')), [1, 2, 3].map((n) => h('p', {}, t('caution.' + n))));
}

function legend() {
  return h('details', { class: 'legend' }, h('summary', {}, t('legend.title')), ['bar', 'heat', 'handle'].map((k) => h('p', {}, t('legend.' + k))));
}

export function view(root) {
  const now = h('p', { class: 'now' });
  const tags = h('div', { class: 'tags' });
  const cards = inOrder(live.site.panels).map(panelCard);
  root.replaceChildren(
    h('h1', { class: 'sr' }, t('title')),
    h('div', { class: 'now-box', role: 'status' }, now),
    tags, h('div', { class: 'panels' }, cards.map((c) => c.el)), cautions(), legend());
  return {
    title: t('title'),
    update() {
      const what = whatMatters();
      text(now, what.text);
      attr(now, 'data-tone', what.tone);
      const stand = isOld() ? [] : standing();
      show(tags, stand.length);
      remake(tags, nowLanguage() + stand.map(tagKey).join(';'), () => stand.map(tag));
      for (const c of cards) c.update();
    },
  };
}
