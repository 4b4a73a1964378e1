// @ts-check
// Words and numbers of the page. Pure: no document, no clock but what is handed in.

/** Narrow no-break space between a number and its unit. */
const THIN = '\u202f';

/** @param {number|null|undefined} ma */
export const amps = (ma) => (ma === null || ma === undefined ? '–' : (ma / 1000).toFixed(2));
/** @param {number|null|undefined} ma */
export const ampsUnit = (ma) => (ma === null || ma === undefined ? 'not measured' : `${amps(ma)}${THIN}A`);
/** @param {number|null|undefined} mv */
export const voltsUnit = (mv) => (mv === null || mv === undefined ? 'not measured' : `${(mv / 1000).toFixed(1)}${THIN}V`);
/** @param {number} value */
export const percent = (value) => `${value}${THIN}%`;

/** A text of the daemon: no line ends between a number and its unit. @param {string} text */
export const thin = (text) => text.replace(/(\d) (A|V|ms|s|%|min|mohm)\b/g, `$1${THIN}$2`).replace(/(\d) %/g, `$1${THIN}%`);

/** @param {number} n @param {number} width */
const pad = (n, width = 2) => String(n).padStart(width, '0');

/** Local time of day, 24 h. @param {number} ms */
export function clock(ms) {
  const d = new Date(ms);
  return `${pad(d.getHours())}:${pad(d.getMinutes())}:${pad(d.getSeconds())}`;
}

/** Local time of day to the millisecond. @param {number} ms */
export const clockMs = (ms) => `${clock(ms)}.${pad(new Date(ms).getMilliseconds(), 3)}`;

/** Date and time. @param {number} ms */
export function dateTime(ms) {
  const d = new Date(ms);
  return `${d.getFullYear()}-${pad(d.getMonth() + 1)}-${pad(d.getDate())} ${clock(ms)}`;
}

/** A span of time as a person says it. @param {number} ms */
export function span(ms) {
  if (ms < 1000) return `${Math.round(ms)}${THIN}ms`;
  if (ms < 10_000) return `${(ms / 1000).toFixed(1)}${THIN}s`;
  if (ms < 120_000) return `${Math.round(ms / 1000)}${THIN}s`;
  const minutes = Math.round(ms / 60_000);
  return minutes < 120 ? `${minutes}${THIN}min` : `${Math.floor(minutes / 60)}${THIN}h ${minutes % 60}${THIN}min`;
}

/** @param {number} n @param {string} one */
export const count = (n, one) => `${n} ${one}${n === 1 ? '' : 's'}`;

/** What a link could not use; empty where it could use all. @param {{unusable: number, last_unusable: {at: number, text: string}|null}} link */
export const unusable = ({ unusable: n, last_unusable: last }) =>
  n ? `${count(n, 'message')} could not be used${last ? `, the last at ${clock(last.at)}: ${last.text}` : ''}` : '';

/** @param {string} text */
export const capital = (text) => (text ? text[0].toUpperCase() + text.slice(1) : text);

/** What the frog measurement means. */
export const FROG = {
  matches: 'frog matches',
  wrong: 'frog on the wrong rail',
  'no-power': 'no power',
  dead: 'frog dead',
  moving: 'moving',
  unknown: 'not known',
  'wired-dead': 'wired dead here',
  'not-measured': 'frog not measured',
};

/** @param {any} t a turnout */
export const positionWord = (t) => {
  if (t.position === null) return 'position never seen';
  if (t.position === 'unknown') return 'position unknown';
  return t.position;
};

/** The conductor in words. @param {string|null} c */
export function conductor(c) {
  if (c === 'A' || c === 'B') return `conductor ${c}`;
  if (c === 'dead') return 'no conductor';
  if (c === 'none') return 'none, wired dead';
  return c === null ? 'not measured' : 'not known';
}

/** State of power in words. @param {any} feed */
export const powerWord = (feed) =>
  ({ on: 'on', cut: 'off', cutting: 'being cut', 'cut-failed': 'not proved off', restoring: 'coming on', unknown: 'not known' })[feed.power] ?? feed.power;

/** 1 high, 2 medium, 3 low. @param {string} priority */
export const level = (priority) => ({ high: 1, medium: 2, low: 3 })[priority] ?? 3;
export const LEVEL_WORD = ['', 'priority 1', 'priority 2', 'priority 3'];

/** The alarm wants an acknowledgement. @param {any} a */
export const isOpen = (a) =>
  a.state === 'unacknowledged' || a.state === 'returned-unacknowledged' || a.state === 'latched-unacknowledged';
/** Its condition stands. @param {any} a */
export const isActive = (a) => a.state === 'unacknowledged' || a.state === 'acknowledged';
/** It is put aside. @param {any} a */
export const isAside = (a) => a.state === 'shelved' || a.state === 'out-of-service';

/** What comes later than this after a first-out has another cause. Unit: ms. */
const BURST = 10_000;

/** Whose hand it was, where that is known. @param {any} a */
const by = (a) => (a.by ? ` by ${a.by}` : '');

/** How an alarm stands, in words. @param {any} a @param {any} [first] first-out alarm of its district @param {number} [now] ms */
export function alarmState(a, first, now) {
  const parts = [clockMs(a.raised)];
  if (a.latched && a.state.startsWith('latched')) parts.push('latched');
  if (a.cleared) parts.push(`cleared ${clock(a.cleared)}`);
  if (a.state === 'acknowledged' || a.state === 'latched-acknowledged') parts.push(`acknowledged${by(a)}`);
  if (a.state === 'shelved') parts.push(a.shelved_until ? `shelved until ${a.for_session ? 'the session ends, or ' : ''}${clock(a.shelved_until)}${now === undefined ? '' : `, ${span(Math.max(0, a.shelved_until - now))} left`}${by(a)}` : `shelved${by(a)}`);
  if (a.state === 'out-of-service') parts.push(`out of service${by(a)}${a.by_at ? ` since ${clock(a.by_at)}` : ''}`);
  if (first && !a.first_out && a.raised >= first.raised && a.raised - first.raised <= BURST) parts.push(`${span(a.raised - first.raised)} after first-out`);
  return parts.join(', ');
}

/** A turnout needs attention; the reason in words, or null. @param {any} t */
export function trouble(t) {
  if (t.frog === 'wrong') return { level: 1, text: 'frog on the wrong rail' };
  if (t.frog === 'dead') return { level: 1, text: 'frog dead although powered' };
  if (t.heat >= 100) return { level: 1, text: `contact heat ${percent(t.heat)}` };
  if (t.heat >= 80) return { level: 2, text: `contact heat ${percent(t.heat)}` };
  if (t.position === 'unknown') return { level: 2, text: 'position unknown' };
  return null;
}

/** The full name of a turnout's cell, for a screen reader. @param {any} t @param {any} s */
export function cellName(t, s) {
  const parts = [t.id, positionWord(t), FROG[t.frog] ?? t.frog, `contact load ${percent(t.load)}`, `heat ${percent(t.heat)}`];
  if (t.old) parts.push('last known');
  parts.push(s.districts[t.district]?.id ?? '');
  return parts.join(', ');
}
