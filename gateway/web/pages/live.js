/* live: what the page knows, kept fresh by server-sent events.
 *
 * The stream is opened first and then everything is fetched, so nothing is missed in between. When the
 * stream breaks the browser opens it again by itself, and everything is fetched anew. Whoever shows
 * something asks `age()`: what is old is shown as old.
 */

export const OLD_SECONDS = 6;

export const live = {
  site: null,
  circuits: new Map(), /* id -> state */
  alarms: new Map(),   /* id -> the last alarm event of those not normal */
  trips: [],           /* newest first */
  frameAt: 0,          /* ms, by the gateway's clock */
  heardAt: 0,          /* ms, by this browser's own steady clock: the gateway said anything */
  movedAt: 0,          /* and: it had a new frame of readings */
  connected: false,
  session: null,       /* who is in, and what they may do */
  visits: true,        /* somebody may come in for some hours, by a code */
};

export const may = (act) => Boolean(live.session?.may.includes(act));

const watchers = new Set();
export function watch(f) {
  watchers.add(f);
  return () => watchers.delete(f);
}
let asked = false;
function changed() {
  if (asked) return;
  asked = true;
  requestAnimationFrame(() => {
    asked = false;
    for (const f of watchers) f();
  });
}

/* somebody whose time is over sees the way in again, and nothing of before */
function failed(r, body) {
  if (r.status === 401 && live.session?.person) location.reload();
  return Object.assign(new Error(body.error || r.statusText), { status: r.status, wait: Number(r.headers.get('Retry-After')) || 60, body });
}

export async function get(path) {
  const r = await fetch('/api/v1' + path); /* the first ones are on their way already: index.html */
  const body = await r.json().catch(() => ({ error: r.statusText }));
  if (!r.ok) throw failed(r, body);
  return body;
}

export async function post(path, body) {
  const headers = { 'Content-Type': 'application/json' };
  if (live.session?.token) headers['X-Foretrip-Token'] = live.session.token;
  const r = await fetch('/api/v1' + path, { method: 'POST', headers, body: JSON.stringify(body) });
  const answer = await r.json().catch(() => ({ error: r.statusText }));
  if (!r.ok) throw failed(r, answer);
  return answer;
}

/* Seconds since the gateway was last heard; its own readings may be older still (movedAt). */
export function age() {
  return live.heardAt ? (performance.now() - live.heardAt) / 1000 : Infinity;
}

function heard(message) {
  live.heardAt = performance.now();
  const frame = message.frame_at ? Date.parse(message.frame_at) : 0;
  if (frame && frame !== live.frameAt) {
    live.frameAt = frame;
    live.movedAt = live.heardAt;
  }
}

function takeCircuits(list) {
  for (const c of list) live.circuits.set(c.circuit, c);
}

function takeTrip(e) {
  const at = live.trips.findIndex((t) => t.trip === e.trip);
  if (at >= 0) live.trips[at] = { ...live.trips[at], ...e };
  else live.trips.unshift({ restored_at: null, ...e });
}

function keepEvent(e) {
  if (e.type === 'alarm') {
    if (e.state === 'normal') live.alarms.delete(e.alarm);
    else live.alarms.set(e.alarm, e);
  } else if (e.type === 'trip') {
    takeTrip(e);
  } else if (e.type === 'restored') {
    const t = live.trips.find((x) => x.trip === e.trip);
    if (t) Object.assign(t, { restored_at: e.time, seconds_open: e.seconds_open });
  } else if (e.type === 'opened_again') {
    const t = live.trips.find((x) => x.trip === e.trip);
    if (t) t.opened_again_after_seconds = e.seconds_held;
  }
}
const eventWatchers = new Set();
export function watchEvents(f) {
  eventWatchers.add(f);
  return () => eventWatchers.delete(f);
}

/* What the stream says while an answer is on its way is newer than the answer: it is taken once more after it. */
const fetches = new Set();
function take(what) {
  for (const meanwhile of fetches) meanwhile.push(what);
  what();
  changed();
}

async function fetchAll() {
  const meanwhile = [];
  fetches.add(meanwhile);
  try {
    const [circuits, alarms, trips] = await Promise.all([get('/circuits'), get('/alarms'), get('/trips?most=50')]);
    takeCircuits(circuits.circuits);
    live.alarms = new Map(alarms.alarms.map((a) => [a.alarm, a]));
    live.trips = trips.trips;
    for (const again of meanwhile) again();
    heard(circuits);
    changed();
  } finally {
    fetches.delete(meanwhile);
  }
}

function listen() {
  const source = new EventSource('/api/v1/stream');
  source.addEventListener('hello', () => {
    live.connected = true;
    fetchAll().catch(() => {});
  });
  source.addEventListener('again', () => fetchAll().catch(() => {}));
  source.addEventListener('circuits', (m) => {
    const d = JSON.parse(m.data);
    heard(d);
    take(() => takeCircuits(d.circuits));
  });
  source.addEventListener('alive', (m) => {
    heard(JSON.parse(m.data));
    changed();
  });
  source.addEventListener('event', (m) => {
    const e = JSON.parse(m.data);
    take(() => keepEvent(e));
    for (const f of eventWatchers) f(e);
  });
  source.addEventListener('error', () => {
    live.connected = false;
    changed();
    if (source.readyState === EventSource.CLOSED) setTimeout(listen, 3000); /* refused: asked again */
    if (live.session.login) get('/status').catch(() => {}); /* is the session over? */
  });
}

/* False: they have to log in first. */
export async function start() {
  live.session = await get('/session');
  if (live.session.login && !live.session.person) return false;
  const rest = fetchAll();
  live.site = await get('/site');
  await rest;
  listen(); /* which fetches once more what came in between */
  setInterval(changed, 1000); /* ages grow by themselves */
  return true;
}
