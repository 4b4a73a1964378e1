// @ts-check
// The state of the page: one snapshot, then deltas. What is exported above `Store` is pure; it holds the connection.
import { connect } from './source.js';

/** Points of a trend: one minute. */
export const TREND = 600;
/** Without any message for this long the page says that there is no contact. Unit: ms. */
const LOST_AFTER = 2000;
/** Without any message for this long the connection is made anew. Unit: ms. */
const REOPEN_AFTER = 5000;
/** Time between two points of a trend. Unit: ms. */
const POINT = 100;

/** A new state from a whole one. @param {any} snap */
export function fromSnap(snap) {
  const trends = snap.hist?.z ?? snap.districts.map(() => []);
  return { ...snap, trends: trends.map((t) => t.slice(-TREND)) };
}

/** The state after a delta, or null where the delta does not follow it. @param {any} s @param {any} d */
export function apply(s, d) {
  if (!s || d.q > s.q + 1) return null;
  if (d.q <= s.q) return s;
  const next = { ...s, q: d.q, t: d.t, age: d.age };
  merge(next, 'boosters', d.b);
  merge(next, 'districts', d.d);
  merge(next, 'blocks', d.k);
  merge(next, 'turnouts', d.u);
  if (d.a) next.alarms = d.a;
  if (d.s) next.sessions = d.s;
  if (d.n) next.nodes = d.n;
  if (d.l) next.links = d.l;
  if (d.recent !== undefined) next.recent = d.recent;
  if (d.silent !== undefined) next.silent = d.silent;
  if (d.history_ok !== undefined) next.history_ok = d.history_ok;
  d.z?.forEach((ma, at) => {
    const trend = next.trends[at];
    if (!trend) return;
    trend.push(ma);
    if (trend.length > TREND) trend.shift();
  });
  return next;
}

/** The trends across a restart of the daemon: the old ones, a gap as long as nothing was recorded, the new ones.
 * @param {any} old @param {any} fresh both states @param {number} gap ms */
export function bridged(old, fresh, gap) {
  if (old.districts.length !== fresh.districts.length) return fresh.trends;
  const none = new Array(Math.min(TREND, Math.max(1, Math.round(gap / POINT)))).fill(null);
  return fresh.trends.map((now, at) => [...(old.trends[at] ?? []), ...none, ...now].slice(-TREND));
}

/** @param {any} next @param {string} key @param {any[]|undefined} changed */
function merge(next, key, changed) {
  if (!changed?.length) return;
  const list = next[key].slice();
  for (const [at, row] of changed) list[at] = { ...list[at], ...row };
  next[key] = list;
}

/** The state, who listens to it, and the connection. */
export class Store {
  constructor() {
    /** @type {any} */ this.state = null;
    /** @type {Set<(why: {urgent: boolean, message: boolean}) => void>} */ this.listeners = new Set();
    this.lastMessage = 0;
    this.startedAt = Date.now();
    this.beats = 0;
    /** @type {number|null} */ this.lostSince = null;
    /** @type {{at: number, gap: number}|null} */ this.restarted = null;
    /** @type {any} */ this.source = null;
    this.closed = false;
    /** Told how long each message took. @type {(ms: number) => void} */ this.measure = () => {};
  }

  start() {
    this.source = connect((event, data) => this.hear(event, data));
    this.openedAt = Date.now();
    this.source.start();
    setInterval(() => this.watch(), 250);
    document.addEventListener('visibilitychange', () => this.seen());
  }

  /** Begins anew: after signing in, or when nothing comes any more. */
  open() {
    this.openedAt = Date.now();
    this.source.open();
  }

  /** @param {string} event @param {any} data */
  hear(event, data) {
    this.closed = event === 'error' && data.closed;
    if (event === 'snap') this.message(() => this.snap(data));
    else if (event === 'd') this.message(() => this.delta(data));
    else this.watch();
  }

  /** @param {() => boolean} take */
  message(take) {
    const begun = performance.now();
    const urgent = take() || this.lostSince !== null;
    this.lastMessage = Date.now();
    this.beats += 1;
    this.lostSince = null;
    this.tell({ urgent, message: true });
    this.measure(performance.now() - begun);
  }

  /** @param {any} snap */
  snap(snap) {
    const old = this.state;
    this.state = fromSnap(snap);
    if (old && old.epoch !== snap.epoch) {
      this.restarted = { at: snap.t, gap: Math.max(0, snap.t - old.t) };
      this.state.trends = bridged(old, this.state, this.restarted.gap);
    }
    return true;
  }

  /** @param {any} d */
  delta(d) {
    const old = this.state;
    const next = apply(old, d);
    if (!next) {
      this.source.start();
      return false;
    }
    this.state = next;
    return Boolean(d.a) || (d.d ?? []).some(([at, row]) => row.power !== undefined && row.power !== old.districts[at]?.power);
  }

  /** Age of what is shown. Unit: ms. */
  age() {
    return this.state ? this.state.age + Date.now() - this.lastMessage : Infinity;
  }

  /** The page may not be believed: nothing comes, or what comes is old. */
  isLost() {
    return this.lostSince !== null;
  }

  watch() {
    const now = Date.now();
    const silent = now - Math.max(this.lastMessage, this.openedAt ?? 0);
    if (!document.hidden && (silent > REOPEN_AFTER || (this.closed && silent > 1000))) this.open();
    const lost = now - this.lastMessage > LOST_AFTER || this.age() > LOST_AFTER + 1000;
    if (this.state && lost && this.lostSince === null && !document.hidden) {
      this.lostSince = this.lastMessage - (this.state.age > LOST_AFTER ? this.state.age : 0);
      this.tell({ urgent: true, message: false });
    }
    if (this.state && this.state.age > LOST_AFTER && this.lostSince === null) this.lostSince = this.lastMessage - this.state.age;
  }

  /** Seen again: what was missed comes as the whole state. */
  seen() {
    this.openedAt = Date.now();
    this.source.seen(!document.hidden);
  }

  /** @param {{urgent: boolean, message: boolean}} why */
  tell(why) {
    for (const listener of this.listeners) listener(why);
  }
}

export const store = new Store();
