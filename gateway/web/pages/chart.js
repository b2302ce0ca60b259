/* chart: one circuit's history, from seconds to years.
 *
 * What is drawn is what the record has: for each point the lowest, the mean and the highest reading, the
 * heat, the hottest of each, and chart-marks.js what there is besides. At the live end, what is to come when the
 * current stays. Drag or arrow keys move, pinch, wheel or + and - come closer. The drawing itself is uPlot's,
 * loaded when it is first needed.
 */
import { h, text, show } from '/dom.js';
import { live, get, may } from '/live.js';
import { t, faultSaid, number, percent, clock, clockSeconds, day, dayClock, date, duration, breaker } from '/say.js';
import { drawLimits, drawGaps, drawOpenings, drawAlarms, drawForecast, spansOf, listMarks, legend, colour } from '/chart-marks.js';

const MINUTE = 60, HOUR = 3600, DAY = 86400;
export const SPANS = { '10m': 10 * MINUTE, '1h': HOUR, '6h': 6 * HOUR, '1d': DAY, '7d': 7 * DAY, '30d': 30 * DAY, '365d': 365 * DAY };
const LEAST = 30, MOST = 10 * 365 * DAY, TABLE_ROWS = 24;

const unit = { amps: 'A', watts: 'W' };

let library = null;
function uplot() {
  if (!live.site.charts) return null;
  library ??= import('/uplot.js').then((m) => {
    document.head.append(h('link', { rel: 'stylesheet', href: '/uplot.css' }));
    return m.default;
  });
  return library;
}

function tick(span, ms) {
  if (span <= 15 * MINUTE) return clockSeconds(ms);
  if (span <= 2 * DAY) return clock(ms);
  if (span <= 90 * DAY) return day(ms);
  return date(ms);
}

export function chart(circuit) {
  const state = { to: null, span: HOUR, quantity: 'amps', data: null, marks: { trips: [], alarms: [] }, u: null, busy: 0, said: '' };
  const box = h('div', { class: 'chart-box', tabindex: '0', role: 'img' });
  const under = h('p', { class: 'chart-under small' }), key = h('div', {});
  const none = h('p', { class: 'wait', hidden: true }), marked = h('ul', { class: 'marked' });
  const table = h('div', { class: 'scroll', tabindex: '0' });
  const spans = h('div', { class: 'buttons', role: 'group', 'aria-label': t('chart.span') },
    Object.entries(SPANS).map(([k, s]) => h('button', { 'data-span': s, onclick: () => go(s, state.to) }, t('span.' + k))));
  const step = h('div', { class: 'buttons' },
    h('button', { onclick: () => move(-0.5) }, '◀ ' + t('chart.earlier')),
    h('button', { onclick: () => move(0.5) }, t('chart.later') + ' ▶'),
    h('button', { onclick: () => go(state.span, null), class: 'to-now' }, t('chart.now')),
    h('label', { class: 'pick' }, h('span', { class: 'sr' }, t('chart.quantity')),
      h('select', { 'aria-label': t('chart.quantity'), onchange: (e) => { state.quantity = e.target.value; load(); } }, ['amps', 'watts'].map((q) => h('option', { value: q }, t('quantity.' + q))))));
  const save = h('a', { class: 'small', download: circuit.circuit + '.csv' }, t('chart.export'));
  const details = h('details', { class: 'chart-table', ontoggle: fillTable }, h('summary', {}, t('chart.table')), table);
  const el = h('div', { class: 'chart' }, h('div', { class: 'chart-tools' }, spans, step), box, none, key, under, marked, h('p', { class: 'small keys' }, t('chart.keys')), h('p', {}, save), details);

  const end = () => state.to ?? Date.now() / 1000;
  const from = () => end() - state.span;
  /* at the live end some room for what is to come, when it comes within that room */
  function ahead() {
    const s = live.circuits.get(circuit.circuit)?.trip_seconds, room = 0.5 * state.span;
    if (state.to !== null || state.quantity !== 'amps' || !s || s.p05 === null || s.p05 > room) return 0;
    return Math.min(room, 1.15 * (s.p50 ?? room));
  }

  function go(span, to) {
    state.span = Math.min(MOST, Math.max(LEAST, span));
    state.to = to !== null && to >= Date.now() / 1000 - state.span * 0.02 ? null : to;
    slide();
    later();
  }
  const move = (share) => go(state.span, end() + share * state.span);
  const zoom = (by, at = 0.5) => {
    const centre = from() + at * state.span, span = Math.min(MOST, Math.max(LEAST, state.span * by));
    go(span, state.to === null && at > 0.4 ? null : centre + (1 - at) * span);
  };

  let waiting = 0;
  function later() {
    clearTimeout(waiting);
    waiting = setTimeout(load, 90);
  }
  function slide() {
    state.u?.setScale('x', { min: from(), max: end() + ahead() });
    for (const b of spans.children) b.setAttribute('aria-pressed', String(Math.abs(Number(b.dataset.span) - state.span) < 1));
  }

  async function load() {
    const mine = ++state.busy;
    const a = from() - 0.25 * state.span, b = Math.min(end() + 0.25 * state.span, Math.max(end(), Date.now() / 1000));
    const points = Math.round(Math.min(900, Math.max(200, (box.clientWidth || 600) * 0.9)));
    const q = `from=${a.toFixed(3)}&to=${b.toFixed(3)}`;
    try {
      const [d, trips, alarms] = await Promise.all([
        get(`/circuits/${circuit.circuit}/history?${q}&points=${points}&quantity=${state.quantity}`),
        get(`/trips?${q}&most=200`), get(`/circuits/${circuit.circuit}/alarms?${q}`),
      ]);
      if (mine !== state.busy) return;
      const width = (d.to - d.from) / d.points;
      state.data = { ...d, at: d.mean.map((_, i) => d.from + (i + 0.5) * width), width };
      state.marks = { trips: trips.trips.filter((x) => x.circuit === circuit.circuit && x.stage !== 'withdrawn'), alarms: spansOf(alarms.events, live.alarms, circuit.circuit, d.to) };
      await draw();
    } catch (e) {
      show(none, true);
      text(none, faultSaid(e));
    }
  }

  const limits = () => (state.quantity === 'amps' ? circuit.rating_amps : null);
  const hasHeat = () => Boolean(state.data.heat);

  function options(width) {
    const axis = { stroke: colour('soft'), grid: { stroke: colour('faint'), width: 1 }, ticks: { stroke: colour('rule'), width: 1 }, font: '12px system-ui, sans-serif' };
    const top = () => {
      const d = state.data, seen = d.most.reduce((m, v) => Math.max(m, v ?? 0), 0);
      return Math.max(seen * 1.08, (limits() ?? 0) * 1.12, 1);
    };
    const bottom = () => Math.min(0, state.data.least.reduce((m, v) => Math.min(m, v ?? 0), 0) * 1.08);
    return {
      width, height: Math.max(220, Math.min(360, Math.round(width * 0.42))),
      legend: { show: false }, cursor: { drag: { x: false, y: false }, points: { size: 7 } },
      scales: { heat: { range: [0, 1.25] }, x: { time: false, range: () => [from(), end() + ahead()] }, y: { range: () => [bottom(), top()] } },
      axes: [
        { ...axis, space: 90, values: (u, s) => s.map((v) => tick(state.span, v * 1000)) },
        { ...axis, size: 52, values: (u, s) => s.map((v) => number(v, Number.isInteger(v) ? 0 : 1) + ' ' + unit[state.quantity]) },
        { ...axis, scale: 'heat', side: 1, size: 52, show: hasHeat(), stroke: colour('heat'), grid: { show: false }, splits: [0, 0.5, 1], values: (u, s) => s.map(percent) },
      ],
      series: [
        {},
        { stroke: 'transparent', points: { show: false } },
        { stroke: colour('fill'), width: 2, points: { show: false } },
        { stroke: 'transparent', points: { show: false } },
        { stroke: colour('heat'), width: 1.5, dash: [7, 3], scale: 'heat', points: { show: false } },
      ],
      bands: [{ series: [3, 1], fill: colour('fill') + '44' }],
      hooks: {
        drawClear: [(u) => drawGaps(u, state.data)],
        draw: [(u) => {
          drawAlarms(u, state.marks.alarms);
          drawLimits(u, limits());
          drawOpenings(u, state.marks.trips);
          if (ahead()) drawForecast(u, live.circuits.get(circuit.circuit), end());
        }],
        setCursor: [tell],
      },
    };
  }

  async function draw() {
    const d = state.data, any = d.mean.some((v) => v !== null);
    const library = uplot();
    show(none, !any || !library);
    text(none, !library ? t('chart.missing') : t('chart.none'));
    box.setAttribute('aria-label', summary());
    key.replaceChildren(legend(hasHeat(), limits() !== null, Boolean(ahead())));
    saveLink();
    fillTable();
    marked.replaceChildren(...listMarks(state.marks, from(), end()));
    if (!library) {
      show(box, false);
      details.open = true;
      return;
    }
    const U = await library;
    const rows = [d.at, d.least, d.mean, d.most, d.heat ?? d.at.map(() => null)];
    if (state.u && state.heat !== hasHeat()) {
      state.u.destroy();
      state.u = null;
    }
    state.heat = hasHeat();
    if (!state.u) {
      box.replaceChildren();
      state.u = new U(options(box.clientWidth || 600), rows, box);
    } else state.u.setData(rows, true);
    slide();
    tell(state.u);
  }

  function inside() {
    const d = state.data, list = [];
    d.at.forEach((at, i) => {
      if (at >= from() && at <= end()) list.push(i);
    });
    return list;
  }
  function hottest(list) {
    const known = list.map((i) => state.data.heat[i]).filter((v) => v !== null);
    return known.length ? percent(Math.max(...known)) : '–';
  }
  function figures(list) {
    const d = state.data;
    let least = Infinity, most = -Infinity, sum = 0, seconds = 0;
    for (const i of list) {
      if (d.mean[i] === null) continue;
      least = Math.min(least, d.least[i]);
      most = Math.max(most, d.most[i]);
      sum += d.mean[i] * d.seconds[i];
      seconds += d.seconds[i];
    }
    return seconds ? { least, most, mean: sum / seconds, seconds } : null;
  }
  const value = (v) => number(v, state.quantity === 'amps' ? 1 : 0) + '\u00a0' + unit[state.quantity];
  const said = (f) => `${t('chart.most')} ${value(f.most)} · ${t('chart.mean')} ${value(f.mean)} · ${t('chart.least')} ${value(f.least)}`;

  function summary() {
    const f = figures(inside());
    return f ? t('chart.label', { breaker: breaker(circuit.circuit), from: dayClock(from() * 1000), to: dayClock(end() * 1000), most: value(f.most), mean: value(f.mean) }) : t('chart.none');
  }
  function tell(u) {
    const i = u.cursor.idx, d = state.data;
    if (i !== null && i !== undefined && d.at[i] !== undefined && u.cursor.left >= 0) {
      const when = state.span <= 2 * DAY ? clockSeconds(d.at[i] * 1000) : dayClock(d.at[i] * 1000);
      text(under, when + ': ' + (d.mean[i] === null ? t('chart.gap') : said({ most: d.most[i], mean: d.mean[i], least: d.least[i] })) + heatSaid(d.heat?.[i]));
    } else {
      const f = figures(inside());
      text(under, dayClock(from() * 1000) + ' – ' + dayClock(end() * 1000) + (f ? ': ' + said(f) : ''));
    }
  }
  /* far back the heat is known by quarters or by four hours only: then that is said */
  function heatSaid(v) {
    if (v === null || v === undefined) return '';
    const d = state.data, coarse = d.heat_seconds > 1.5 * d.width && d.heat_seconds > MINUTE;
    return ' · ' + t(coarse ? 'chart.heat_within' : 'row.heat', { percent: percent(v), time: duration(d.heat_seconds) });
  }
  function saveLink() {
    show(save, may('see_loads'));
    const day = state.span <= DAY + 1;
    if (day) save.href = `/api/v1/circuits/${circuit.circuit}/export.csv?from=${from().toFixed(3)}&to=${end().toFixed(3)}`;
    else save.removeAttribute('href');
    text(save, day ? t('chart.export') : t('chart.export_most'));
  }
  function fillTable() {
    if (!details.open || !state.data) return;
    const list = inside(), size = Math.max(1, Math.ceil(list.length / TABLE_ROWS)), rows = [];
    const when = (i) => (state.span <= 2 * DAY ? clockSeconds((state.data.at[list[i]] - state.data.width / 2) * 1000) : dayClock(state.data.at[list[i]] * 1000));
    for (let i = 0, gap = -1; i < list.length; i += size) {
      const f = figures(list.slice(i, i + size));
      if (!f) { /* one row for however long there was nothing */
        if (gap < 0) rows.push(h('tr', {}, h('th', { scope: 'row' }), h('td', { colspan: hasHeat() ? 4 : 3 }, t('chart.gap'))));
        gap = gap < 0 ? i : gap;
        rows[rows.length - 1].firstChild.textContent = gap === i ? when(i) : when(gap) + ' – ' + when(i);
        continue;
      }
      gap = -1;
      rows.push(h('tr', {}, h('th', { scope: 'row' }, when(i)), [f.least, f.mean, f.most].map((v) => h('td', {}, value(v))), hasHeat() ? h('td', {}, hottest(list.slice(i, i + size))) : null));
    }
    table.replaceChildren(h('table', {}, h('thead', {}, h('tr', {}, ['chart.time', 'chart.least', 'chart.mean', 'chart.most', ...(hasHeat() ? ['circuit.heat'] : [])].map((k) => h('th', { scope: 'col' }, t(k))))), h('tbody', {}, rows)));
  }

  /* ---- hands and keys ---- */
  const fingers = new Map();
  let pinch = 0;
  const inPlot = () => box.querySelector('.u-over') ?? box;
  box.addEventListener('pointerdown', (e) => {
    fingers.set(e.pointerId, e.clientX);
    box.setPointerCapture(e.pointerId);
    pinch = 0;
  });
  box.addEventListener('pointermove', (e) => {
    if (!fingers.has(e.pointerId)) return;
    const before = fingers.get(e.pointerId), width = inPlot().clientWidth || 1;
    fingers.set(e.pointerId, e.clientX);
    if (fingers.size === 1) move(-(e.clientX - before) / width);
    else {
      const [a, b] = [...fingers.values()], apart = Math.max(20, Math.abs(a - b));
      if (pinch) zoom(pinch / apart);
      pinch = apart;
    }
  });
  for (const name of ['pointerup', 'pointercancel'])
    box.addEventListener(name, (e) => {
      fingers.delete(e.pointerId);
      pinch = 0;
    });
  box.addEventListener('wheel', (e) => {
    if (!e.ctrlKey && !e.shiftKey) return; /* the page scrolls as it always does */
    e.preventDefault();
    const r = inPlot().getBoundingClientRect();
    zoom(e.deltaY > 0 ? 1.25 : 0.8, (e.clientX - r.left) / r.width);
  }, { passive: false });
  const keys = { ArrowLeft: () => move(-0.25), ArrowRight: () => move(0.25), '+': () => zoom(0.5), '=': () => zoom(0.5), '-': () => zoom(2), 0: () => go(state.span, null), PageUp: () => move(-1), PageDown: () => move(1) };
  box.addEventListener('keydown', (e) => {
    if (!keys[e.key] || e.ctrlKey || e.metaKey || e.altKey) return;
    e.preventDefault();
    keys[e.key]();
  });

  function anew() {
    state.u?.destroy();
    state.u = null;
    if (state.data) draw();
  }
  const resized = new ResizeObserver(() => {
    if (state.u && Math.abs(state.u.width - box.clientWidth) > 2) anew();
  });
  resized.observe(box);
  window.addEventListener('themechange', anew);
  const dark = matchMedia('(prefers-color-scheme: dark)');
  dark.addEventListener('change', anew);

  let last = 0;
  slide();
  load();
  return {
    el,
    range: () => [from(), end()],
    update() { /* at the live end, new readings are fetched now and then */
      if (state.to !== null || fingers.size) return;
      const every = Math.max(2000, (state.span / 600) * 1000);
      if (performance.now() - last < every) return;
      last = performance.now();
      load();
    },
    close() {
      resized.disconnect();
      window.removeEventListener('themechange', anew);
      dark.removeEventListener('change', anew);
      state.u?.destroy();
      clearTimeout(waiting);
    },
  };
}
