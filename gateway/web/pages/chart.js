/* chart: one circuit's history, from seconds to years.
 *
 * What is drawn is what the record has: for each point the lowest, the mean and the highest reading, the
 * rating and its 80 %, openings, and where there were no readings. Drag or arrow keys move, pinch, wheel
 * or + and - come closer. The drawing itself is uPlot's, loaded when it is first needed.
 */
import { h, text, show, remake } from '/dom.js';
import { live, get, may } from '/live.js';
import { t, number, clock, clockSeconds, day, dayClock, date, breaker, nowLanguage } from '/say.js';

const MINUTE = 60, HOUR = 3600, DAY = 86400;
export const SPANS = { '10m': 10 * MINUTE, '1h': HOUR, '6h': 6 * HOUR, '1d': DAY, '7d': 7 * DAY, '30d': 30 * DAY, '365d': 365 * DAY };
const LEAST = 30, MOST = 10 * 365 * DAY, TABLE_ROWS = 24;

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue('--' + name).trim();
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
  const state = { to: null, span: HOUR, quantity: 'amps', data: null, marks: [], u: null, busy: 0, said: '' };
  const box = h('div', { class: 'chart-box', tabindex: '0', role: 'img' });
  const under = h('p', { class: 'chart-under small' });
  const none = h('p', { class: 'wait', hidden: true });
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
  const el = h('div', { class: 'chart' }, h('div', { class: 'chart-tools' }, spans, step), box, none, under, h('p', { class: 'small keys' }, t('chart.keys')), h('p', {}, save), details);

  const end = () => state.to ?? Date.now() / 1000;
  const from = () => end() - state.span;

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
    state.u?.setScale('x', { min: from(), max: end() });
    for (const b of spans.children) b.setAttribute('aria-pressed', String(Math.abs(Number(b.dataset.span) - state.span) < 1));
  }

  async function load() {
    const mine = ++state.busy;
    const a = from() - 0.25 * state.span, b = Math.min(end() + 0.25 * state.span, Math.max(end(), Date.now() / 1000));
    const points = Math.round(Math.min(900, Math.max(200, (box.clientWidth || 600) * 0.9)));
    const q = `from=${a.toFixed(3)}&to=${b.toFixed(3)}`;
    try {
      const [d, trips] = await Promise.all([
        get(`/circuits/${circuit.circuit}/history?${q}&points=${points}&quantity=${state.quantity}`),
        get(`/trips?${q}&most=200`),
      ]);
      if (mine !== state.busy) return;
      const width = (d.to - d.from) / d.points;
      state.data = { ...d, at: d.mean.map((_, i) => d.from + (i + 0.5) * width), width };
      state.marks = trips.trips.filter((x) => x.circuit === circuit.circuit && x.stage !== 'withdrawn');
      await draw();
    } catch (e) {
      show(none, true);
      text(none, e.message);
    }
  }

  const limits = () => (state.quantity === 'amps' ? circuit.rating_amps : null);

  function lines(u) {
    const c = u.ctx, rating = limits(), k = devicePixelRatio;
    const across = (v, name, dash, words, below) => {
      const y = u.valToPos(v, 'y', true);
      if (y < u.bbox.top || y > u.bbox.top + u.bbox.height) return;
      c.beginPath();
      c.setLineDash(dash.map((x) => x * k));
      c.strokeStyle = c.fillStyle = colour(name);
      c.lineWidth = 1.5 * k;
      c.moveTo(u.bbox.left, y);
      c.lineTo(u.bbox.left + u.bbox.width, y);
      c.stroke();
      c.font = `${11 * k}px system-ui, sans-serif`;
      c.textAlign = 'left';
      c.fillText(words, u.bbox.left + 4 * k, below ? y + 13 * k : y - 4 * k);
    };
    c.save();
    if (rating) {
      across(0.8 * rating, 'amber', [5, 4], t('chart.80'), true);
      across(rating, 'red', [], t('chart.rating'));
    }
    for (const m of state.marks) {
      const x = u.valToPos(Date.parse(m.opened_at) / 1000, 'x', true);
      if (x < u.bbox.left || x > u.bbox.left + u.bbox.width) continue;
      c.setLineDash([]);
      c.strokeStyle = c.fillStyle = colour('red');
      c.lineWidth = 2 * k;
      c.beginPath();
      c.moveTo(x, u.bbox.top);
      c.lineTo(x, u.bbox.top + u.bbox.height);
      c.stroke();
      c.font = `bold ${12 * k}px system-ui, sans-serif`;
      c.textAlign = 'center';
      c.fillText('✕', x, u.bbox.top + 12 * k);
    }
    c.restore();
  }

  /* where there were no readings: hatched, so that nothing is not taken for zero */
  function gaps(u) {
    const d = state.data, c = u.ctx, k = devicePixelRatio;
    c.save();
    c.beginPath();
    c.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height);
    c.clip();
    c.strokeStyle = colour('rule');
    c.lineWidth = k;
    for (let i = 0; i < d.mean.length; i++) {
      if (d.mean[i] !== null) continue;
      let j = i;
      while (j + 1 < d.mean.length && d.mean[j + 1] === null) j++;
      const a = u.valToPos(d.from + i * d.width, 'x', true), b = u.valToPos(d.from + (j + 1) * d.width, 'x', true);
      c.save();
      c.beginPath();
      c.rect(a, u.bbox.top, b - a, u.bbox.height);
      c.clip();
      c.beginPath();
      for (let x = Math.max(a, u.bbox.left) - u.bbox.height; x < Math.min(b, u.bbox.left + u.bbox.width); x += 9 * k) {
        c.moveTo(x, u.bbox.top + u.bbox.height);
        c.lineTo(x + u.bbox.height, u.bbox.top);
      }
      c.stroke();
      c.restore();
      i = j;
    }
    c.restore();
  }

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
      scales: { x: { time: false, range: () => [from(), end()] }, y: { range: () => [bottom(), top()] } },
      axes: [
        { ...axis, space: 90, values: (u, s) => s.map((v) => tick(state.span, v * 1000)) },
        { ...axis, size: 52, values: (u, s) => s.map((v) => number(v, Number.isInteger(v) ? 0 : 1) + ' ' + unit[state.quantity]) },
      ],
      series: [
        {},
        { stroke: 'transparent', points: { show: false } },
        { stroke: colour('fill'), width: 2, points: { show: false } },
        { stroke: 'transparent', points: { show: false } },
      ],
      bands: [{ series: [3, 1], fill: colour('fill') + '44' }],
      hooks: { drawClear: [gaps], draw: [lines], setCursor: [tell] },
    };
  }

  async function draw() {
    const d = state.data, any = d.mean.some((v) => v !== null);
    const library = uplot();
    show(none, !any || !library);
    text(none, !library ? t('chart.missing') : t('chart.none'));
    box.setAttribute('aria-label', summary());
    saveLink();
    fillTable();
    if (!library) {
      show(box, false);
      details.open = true;
      return;
    }
    const U = await library;
    const rows = [d.at, d.least, d.mean, d.most];
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
      text(under, when + ': ' + (d.mean[i] === null ? t('chart.gap') : said({ most: d.most[i], mean: d.mean[i], least: d.least[i] })));
    } else {
      const f = figures(inside());
      text(under, dayClock(from() * 1000) + ' – ' + dayClock(end() * 1000) + (f ? ': ' + said(f) : ''));
    }
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
        if (gap < 0) rows.push(h('tr', {}, h('th', { scope: 'row' }), h('td', { colspan: 3 }, t('chart.gap'))));
        gap = gap < 0 ? i : gap;
        rows[rows.length - 1].firstChild.textContent = gap === i ? when(i) : when(gap) + ' – ' + when(i);
        continue;
      }
      gap = -1;
      rows.push(h('tr', {}, h('th', { scope: 'row' }, when(i)), [f.least, f.mean, f.most].map((v) => h('td', {}, value(v)))));
    }
    table.replaceChildren(h('table', {}, h('thead', {}, h('tr', {}, ['chart.time', 'chart.least', 'chart.mean', 'chart.most'].map((k) => h('th', { scope: 'col' }, t(k))))), h('tbody', {}, rows)));
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
