/* chart-marks: what is drawn beside the readings, on uPlot's canvas: the rating and its 80 %, openings, alarms while
 * they stood, where there were no readings, and what is to come. Each has a word beside its colour, and all of it is
 * told as a list too. */
import { h, s } from '/dom.js';
import { t, clock, dayClock, duration } from '/say.js';

export const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue('--' + name).trim();

/* inside the plot, with its own state of the canvas; k: canvas pixels of one of the page's */
function inPlot(u, draw) {
  const c = u.ctx, b = u.bbox, k = devicePixelRatio;
  c.save();
  c.beginPath();
  c.rect(b.left, b.top, b.width, b.height);
  c.clip();
  draw(c, b, k);
  c.restore();
}
const write = (c, k, words, x, y, weight = '') => {
  c.font = `${weight} ${11 * k}px system-ui, sans-serif`;
  c.save(); /* lines behind it do not run through it */
  c.setLineDash([]);
  c.lineJoin = 'round';
  c.lineWidth = 4 * k;
  c.strokeStyle = colour('card');
  c.strokeText(words, x, y);
  c.restore();
  c.fillText(words, x, y);
};
function line(c, x1, y1, x2, y2) {
  c.beginPath();
  c.moveTo(x1, y1);
  c.lineTo(x2, y2);
  c.stroke();
}

export function drawLimits(u, rating) {
  if (!rating) return;
  inPlot(u, (c, b, k) => {
    const across = (v, name, dash, words, below) => {
      const y = u.valToPos(v, 'y', true);
      c.setLineDash(dash.map((x) => x * k));
      c.strokeStyle = c.fillStyle = colour(name);
      c.lineWidth = 1.5 * k;
      line(c, b.left, y, b.left + b.width, y);
      c.textAlign = 'left';
      write(c, k, words, b.left + 4 * k, below ? y + 13 * k : y - 4 * k);
    };
    across(0.8 * rating, 'amber', [5, 4], t('chart.80'), true);
    across(rating, 'red', [], t('chart.rating'));
  });
}

/* where there were no readings: hatched, so that nothing is not taken for zero */
export function drawGaps(u, d) {
  inPlot(u, (c, b, k) => {
    c.strokeStyle = colour('rule');
    c.lineWidth = k;
    for (let i = 0; i < d.mean.length; i++) {
      if (d.mean[i] !== null) continue;
      let j = i;
      while (j + 1 < d.mean.length && d.mean[j + 1] === null) j++;
      const left = Math.max(b.left, u.valToPos(d.from + i * d.width, 'x', true)), right = Math.min(b.left + b.width, u.valToPos(d.from + (j + 1) * d.width, 'x', true));
      c.save();
      c.beginPath();
      c.rect(left, b.top, right - left, b.height);
      c.clip();
      for (let x = left - b.height; x < right; x += 9 * k) line(c, x, b.top + b.height, x + b.height, b.top);
      c.restore();
      i = j;
    }
  });
}

export function drawOpenings(u, trips) {
  inPlot(u, (c, b, k) => {
    c.strokeStyle = c.fillStyle = colour('red');
    c.lineWidth = 2 * k;
    c.textAlign = 'center';
    for (const m of trips) {
      const x = u.valToPos(Date.parse(m.opened_at) / 1000, 'x', true);
      line(c, x, b.top + 16 * k, x, b.top + b.height);
      write(c, k, '✕', x, b.top + 13 * k, 'bold');
    }
  });
}

/* {kind, priority, from, to}: from an alarm's coming to its going, out of its changes; to null: it stands */
export function spansOf(events, standing, circuit, until) {
  const open = new Map(), out = [];
  for (const e of events) {
    const at = Date.parse(e.time) / 1000, over = e.state === 'normal' || e.state === 'returned_unacknowledged';
    if (!open.has(e.alarm) && !over) open.set(e.alarm, { kind: e.kind, priority: e.priority, from: Date.parse(e.raised_at) / 1000, to: null });
    else if (open.has(e.alarm) && over) {
      out.push({ ...open.get(e.alarm), to: at });
      open.delete(e.alarm);
    }
  }
  out.push(...open.values());
  for (const a of standing.values()) /* raised before what was asked for */
    if (a.circuit === circuit && a.state !== 'returned_unacknowledged' && !open.has(a.alarm) && Date.parse(a.raised_at) / 1000 < until) out.push({ kind: a.kind, priority: a.priority, from: Date.parse(a.raised_at) / 1000, to: null });
  return out;
}

export function drawAlarms(u, alarms) {
  inPlot(u, (c, b, k) => {
    for (const a of alarms) {
      const left = u.valToPos(a.from, 'x', true), right = u.valToPos(a.to ?? Date.now() / 1000, 'x', true), low = a.priority === 'low';
      c.fillStyle = colour(low ? 'amber' : 'red');
      c.globalAlpha = 0.12;
      c.fillRect(left, b.top, Math.max(2 * k, right - left), b.height);
      c.globalAlpha = 1;
      c.fillRect(left, b.top, Math.max(2 * k, right - left), 3 * k);
      c.textAlign = 'left';
      write(c, k, low ? '△' : '▲', left, b.top + 14 * k, 'bold');
    }
  });
}

/* When the current stays: from as soon as to as late as, most likely, and the heat on its way there. */
export function drawForecast(u, state, now) {
  const s = state?.trip_seconds;
  if (!s || s.p50 === null) return;
  inPlot(u, (c, b, k) => {
    const at = (seconds) => u.valToPos(now + seconds, 'x', true), x0 = at(0), soon = at(s.p05 ?? s.p50), likely = at(s.p50), late = s.p95 === null ? b.left + b.width : at(s.p95);
    c.fillStyle = colour('red');
    c.globalAlpha = 0.14;
    c.fillRect(soon, b.top, late - soon, b.height);
    c.globalAlpha = 1;
    c.setLineDash([3 * k, 3 * k]);
    c.lineWidth = 1.5 * k;
    c.strokeStyle = colour('soft');
    line(c, x0, b.top, x0, b.top + b.height);
    c.strokeStyle = colour('fill');
    const y = u.valToPos(state.amps ?? 0, 'y', true);
    line(c, x0, y, b.left + b.width, y);
    c.strokeStyle = c.fillStyle = colour('heat');
    if (state.heat !== null) line(c, x0, u.valToPos(state.heat, 'heat', true), likely, u.valToPos(1, 'heat', true));
    c.strokeStyle = c.fillStyle = colour('red');
    line(c, likely, b.top, likely, b.top + b.height);
    c.textAlign = likely > b.left + b.width - 90 * k ? 'right' : 'left';
    write(c, k, t('chart.opens', { time: duration(s.p50) }), likely + (c.textAlign === 'right' ? -5 : 5) * k, b.top + 30 * k, 'bold');
  });
}

/* which line is which */
export function legend(heat, limits, forecast) {
  const sample = (name, inside) => h('li', {}, s('svg', { class: 'sample', viewBox: '0 0 26 12', 'aria-hidden': 'true' }, inside), t(name));
  const stroke = (cls) => s('line', { class: cls, x1: 0, x2: 26, y1: 6, y2: 6 });
  return h('ul', { class: 'chart-key small' },
    sample('chart.key_mean', [s('rect', { class: 'key-band', width: 26, height: 12 }), stroke('key-mean')]),
    heat ? sample('chart.key_heat', stroke('key-heat')) : null,
    limits ? [sample('chart.rating', stroke('key-rating')), sample('chart.80', stroke('key-eighty'))] : null,
    forecast ? sample('chart.key_forecast', s('rect', { class: 'key-forecast', width: 26, height: 12 })) : null);
}

/* the same as words */
export function listMarks(marks, from, to) {
  const items = [
    ...marks.trips.map((x) => ({ at: Date.parse(x.opened_at) / 1000, end: Date.parse(x.opened_at) / 1000, el: h('a', { href: '#/trip/' + x.trip }, '✕ ' + t('kind.trip') + ', ' + dayClock(x.opened_at)) })),
    ...marks.alarms.map((a) => ({ at: a.from, end: a.to ?? Infinity, el: h('span', {}, (a.priority === 'low' ? '△ ' : '▲ ') + t('kind.' + a.kind) + ', ' + dayClock(a.from * 1000) + ' – ' + (a.to ? clock(a.to * 1000) : t('chart.still'))) })),
  ];
  return items.filter((i) => i.end >= from && i.at <= to).sort((a, b) => b.at - a.at).slice(0, 6).map((i) => h('li', {}, i.el));
}
