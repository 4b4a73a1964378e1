// @ts-check
// The sentence on top: what is wrong, worst first, made from the state alone.
import { capital, count, isActive, isAside, isOpen, level, percent, thin, trouble } from './words.js';

/**
 * @typedef {{level: number, title: string, detail: string, fault: number|null, restore: number|null, about: {district: string, raised: number}|null}} Headline
 */

/** @param {any} s the state @returns {Headline} */
export function headline(s) {
  const said = worst(s);
  return { level: 0, fault: null, restore: null, about: null, ...said, detail: [said.more, counts(s)].filter(Boolean).join(' ') };
}

/** @param {any} s */
function worst(s) {
  if (s.districts.length === 0) return { title: 'Nothing is wired yet.' };
  return failedCut(s) ?? off(s) ?? lockedOut(s) ?? wrongRail(s) ?? contact(s, 100) ?? contact(s, 80) ?? otherAlarm(s) ?? quiet(s);
}

/** @param {any} s */
function failedCut(s) {
  const at = s.districts.findIndex((d) => d.power === 'cut-failed');
  if (at < 0) return null;
  const booster = s.boosters[s.districts[at].booster]?.id;
  return { level: 1, title: `${capital(s.districts[at].id)} would not be cut.`, more: `Switch booster ${booster} off by hand.` };
}

/** @param {any} s */
function off(s) {
  const off = s.districts.map((d, at) => ({ d, at })).filter(({ d }) => d.power === 'cut' || d.power === 'cutting');
  if (off.length === 0) return null;
  const { d, at } = off.find(({ d }) => d.fault !== null) ?? off[0];
  const level = alarmLevel(s, at) || 3;
  const fault = d.fault;
  const restore = d.power === 'cut' ? at : null;
  if (off.length > 1) {
    const names = off.map(({ d }) => d.id).join(', ');
    return { level, fault, restore, title: `${off.length} districts are off: ${names}.`, more: capital(`${d.id}: ${reason(s, d, at)}.`) };
  }
  const lock = [thin(capital(d.cause_text ?? '')), d.locked_out ? 'Locked out until an operator restores it' : ''].filter(Boolean).map((it) => `${it}.`).join(' ');
  return { level, fault, restore, title: `${capital(d.id)} is off. ${capital(reason(s, d, at))}.`, more: lock };
}

/** Locked out, and no reading shows that it is off: never as if all were well. @param {any} s */
function lockedOut(s) {
  const at = s.districts.findIndex((d) => d.locked_out);
  if (at < 0) return null;
  const d = s.districts[at];
  return { level: alarmLevel(s, at) || 3, fault: d.fault, title: `${capital(d.id)} is locked out.`, more: 'Locked out until an operator restores it.' };
}

/** @param {any} s @param {any} d @param {number} at */
function reason(s, d, at) {
  const said = s.alarms.find((a) => a.alarm === 'frog-mismatch' && a.district === at && a.turnout !== null && !isAside(a));
  const wrong = s.turnouts.find((t) => t.district === at && t.frog === 'wrong') ?? s.turnouts[said?.turnout];
  if (wrong) return `${wrong.id} frog is on the wrong rail`;
  const through = s.alarms.find((a) => a.alarm === 'run-through' && a.district === at && a.turnout !== null && !isAside(a));
  if (through) return `a train ran through ${s.turnouts[through.turnout]?.trackwork}, set against it`;
  return d.cause_text?.split(',')[0] ?? 'no cause is recorded';
}

/** @param {any} s */
function wrongRail(s) {
  const wrong = s.turnouts.filter((t) => t.frog === 'wrong');
  if (wrong.length === 0) return null;
  const title = wrong.length === 1 ? `${wrong[0].id} frog is on the wrong rail.` : `${wrong.length} frogs are on the wrong rail: ${wrong.slice(0, 4).map((t) => t.id).join(', ')}.`;
  return { level: 1, title, more: `A train over it shorts ${s.districts[wrong[0].district]?.id}.` };
}

/** @param {any} s @param {number} limit */
function contact(s, limit) {
  const hot = s.turnouts.filter((t) => t.heat >= limit).sort((a, b) => b.heat - a.heat)[0];
  if (!hot) return null;
  const how = hot.estimated ? ' (estimated)' : '';
  if (limit >= 100) return { level: 1, title: `${hot.id} contact is over its limit.`, more: `Heat ${percent(hot.heat)}${how}.` };
  return { level: 2, title: `${hot.id} contact is near its limit.`, more: `Heat ${percent(hot.heat)}${how}.` };
}

/** @param {any} s */
function otherAlarm(s) {
  const alarms = s.alarms.filter((a) => !isAside(a) && (isActive(a) || isOpen(a)));
  if (alarms.length === 0) return null;
  const first = [...alarms].sort((a, b) => level(a.priority) - level(b.priority))[0];
  const said = `${thin(first.text)}.`.replace(/\.\.$/, '.');
  const all = `${count(alarms.length, 'alarm')} to look at.`;
  // A short that nothing can cut is read from across the room, a count is not.
  const about = first.latched && first.district !== null ? { district: s.districts[first.district].id, raised: first.raised } : null;
  return level(first.priority) === 1 ? { level: 1, title: said, more: all, about } : { level: level(first.priority), title: all, more: said };
}

/** @param {any} s */
function quiet(s) {
  const on = s.districts.filter((d) => d.power === 'on').length;
  if (on === s.districts.length) return { title: on === 1 ? 'The district is on.' : `All ${on} districts on.` };
  const unknown = s.districts.length - on;
  return { title: `${on} of ${s.districts.length} districts on.`, more: `${count(unknown, 'district')} without a reading that shows power.` };
}

/** @param {any} s @param {number} district */
function alarmLevel(s, district) {
  const levels = s.alarms.filter((a) => a.district === district && !isAside(a)).map((a) => level(a.priority));
  return levels.length ? Math.min(...levels) : 0;
}

/** Counts by trackwork: a slip is one turnout. @param {any} s */
export function turnoutCounts(s) {
  const all = new Map();
  for (const t of s.turnouts) {
    const known = all.get(t.trackwork) ?? { bad: false, measured: true, old: false };
    known.bad ||= trouble(t) !== null;
    known.measured &&= t.frog !== 'not-measured';
    known.old ||= t.old;
    all.set(t.trackwork, known);
  }
  const list = [...all.values()];
  const bad = list.filter((it) => it.bad).length;
  const old = list.filter((it) => !it.bad && it.old).length;
  const unmeasured = list.filter((it) => !it.bad && !it.old && !it.measured).length;
  return { all: list.length, bad, old, unmeasured, good: list.length - bad - old - unmeasured };
}

/** @param {any} s */
function counts(s) {
  if (s.districts.length === 0) return '';
  const on = s.districts.filter((d) => d.power === 'on').length;
  const n = turnoutCounts(s);
  const parts = [];
  if (on !== s.districts.length) parts.push(`${on} of ${s.districts.length} districts on`);
  parts.push(n.all === 0 ? 'no turnouts' : `${n.good} of ${n.all} turnouts in order`);
  if (n.old) parts.push(`${n.old} only last known`);
  if (n.unmeasured) parts.push(`${n.unmeasured} not measured`);
  return `${parts.join(', ')}.`;
}
