// The pure modules of the page, without a browser.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { headline, turnoutCounts } from '../../daemon/dashboard/page/headline.js';
import { steps } from '../../daemon/dashboard/page/todo.js';
import { due } from '../../daemon/dashboard/page/sound.js';
import { apply, bridged, fromSnap } from '../../daemon/dashboard/page/store.js';
import { alarmState, cellName, clock, isOpen, span, unusable } from '../../daemon/dashboard/page/words.js';

const turnout = (id, more = {}) => ({ id, trackwork: id, district: 0, position: 'normal', frog: 'matches', load: 0, heat: 0, old: false, ...more });
const district = (id, more = {}) => ({ id, booster: 0, blocks: [], power: 'on', fault: null, cause_text: null, locked_out: false, ...more });
const state = (more = {}) => fromSnap({ epoch: 'e', q: 5, t: 0, age: 0, boosters: [{ id: 'main' }], districts: [district('quarry'), district('yard')], blocks: [], turnouts: [turnout('T1')], alarms: [], nodes: [], links: [], recent: 0, ...more });

test('the sentence names the worst thing first', () => {
  const wrong = turnout('T1', { frog: 'wrong' });
  const cases = [
    [state(), 'All 2 districts on.', 0],
    [state({ turnouts: [turnout('T1', { heat: 84 })] }), 'T1 contact is near its limit.', 2],
    [state({ turnouts: [turnout('T1', { heat: 100 })] }), 'T1 contact is over its limit.', 1],
    [state({ turnouts: [wrong, turnout('T2', { heat: 100 })] }), 'T1 frog is on the wrong rail.', 1],
    [state({ districts: [district('quarry', { power: 'cut' }), district('yard')], turnouts: [wrong] }), 'Quarry is off. T1 frog is on the wrong rail.', 3],
    [state({ districts: [district('quarry', { power: 'cut' }), district('yard', { power: 'cut-failed' })] }), 'Yard would not be cut.', 1],
    [state({ districts: [district('quarry'), district('yard', { power: 'unknown' })] }), '1 of 2 districts on.', 0],
    [state({ districts: [] }), 'Nothing is wired yet.', 0],
  ];
  for (const [s, title, level] of cases) {
    const got = headline(s);
    assert.equal(got.title, title);
    assert.equal(got.level, level, title);
  }
});

test('a district that a run-through took says which turnout, and the record says what to do', () => {
  const through = { alarm: 'run-through', district: 0, turnout: 0, state: 'unacknowledged', priority: 'medium', shelved_until: null };
  const off = district('quarry', { power: 'cut', fault: 7, cause_text: 'short circuit, 4.98 A' });
  const s = state({ districts: [off, district('yard')], turnouts: [{ ...turnout('T1'), trackwork: 'T1' }], alarms: [through] });
  assert.equal(headline(s).title, 'Quarry is off. A train ran through T1, set against it.');
  const record = { complete: true, suspects: [{ subject: 'frog/T1', text: 'frog T1', share: 0.83 }], advice: ['Nothing flows in the quarry any more.', 'Back the train off T1.'], advice_done: 1 };
  assert.deepEqual(steps(record), ['First suspect: frog T1, 83\u202f%.', 'Back the train off T1.']);
  assert.deepEqual(steps({ ...record, advice_done: 0 }).slice(1), record.advice, 'whatever it says');
  assert.deepEqual(steps({ ...record, complete: false }), []);
});

test('what a link could not use is a count with the last reason, and nothing where there is none', () => {
  const last = { at: 1_795_632_127_318, text: 'crew: no number' };
  const at = clock(last.at);
  for (const [n, why, want] of [
    [0, null, ''],
    [1, null, '1 message could not be used'],
    [3, last, `3 messages could not be used, the last at ${at}: crew: no number`],
  ]) assert.equal(unusable({ unusable: n, last_unusable: why }), want);
});

test('a short that nothing can cut is the sentence, and a count of lesser alarms is', () => {
  const alarm = (priority, text) => ({ alarm: 'short-circuit', district: 0, turnout: null, state: 'unacknowledged', priority, text, shelved_until: null });
  const titles = ['high', 'low'].map((priority) => headline(state({ alarms: [alarm(priority, 'District quarry: short circuit')] })).title);
  assert.deepEqual(titles, ['District quarry: short circuit.', '1 alarm to look at.']);
  const latched = { ...alarm('high', 'District quarry: short circuit'), latched: true, raised: 7 };
  assert.deepEqual(headline(state({ alarms: [latched] })).about, { district: 'quarry', raised: 7 });
});

// faults.md, must never happen: 'all clear' while a lock-out stands.
test('a lock-out is named whatever is known of the power', () => {
  for (const power of ['on', 'restoring', 'cutting', 'cut', 'cut-failed', 'unknown']) {
    const got = headline(state({ districts: [district('quarry', { power, locked_out: true }), district('yard')] }));
    assert.match(got.title, /^Quarry /, power);
    assert.notEqual(got.level, 0, power);
  }
});

test('a frog that is not measured is neither in order nor in trouble', () => {
  const s = state({ turnouts: [turnout('T1'), turnout('T2', { frog: 'not-measured' }), turnout('T3', { old: true }), turnout('T4', { frog: 'dead' })] });
  assert.deepEqual(turnoutCounts(s), { all: 4, bad: 1, old: 1, unmeasured: 1, good: 1 });
});

test('a slip counts as one turnout and is only in order when all its frogs are', () => {
  const s = state({ turnouts: [turnout('S1.a', { trackwork: 'S1' }), turnout('S1.b', { trackwork: 'S1', frog: 'wrong' })] });
  assert.deepEqual(turnoutCounts(s), { all: 1, bad: 1, old: 0, unmeasured: 0, good: 0 });
});

test('a delta changes what it names, twice is once, and a gap asks for the whole state', () => {
  const old = state();
  const delta = { q: 6, t: 100, age: 3, z: [10, null], u: [[0, { position: 'reverse' }]] };
  const next = apply(old, delta);
  assert.equal(next.turnouts[0].position, 'reverse');
  assert.equal(next.turnouts[0].id, 'T1', 'fixed facts stay');
  assert.equal(old.turnouts[0].position, 'normal', 'the old state is not touched');
  assert.deepEqual(next.trends, [[10], [null]]);
  assert.equal(apply(next, delta), next);
  assert.equal(apply(next, { ...delta, q: 8 }), null);
  assert.equal(apply(null, delta), null);
});

test('words of alarms and spans', () => {
  const first = { id: 'a', raised: 1000 };
  const second = { id: 'b', raised: 1039, state: 'latched-unacknowledged', latched: true, cleared: null };
  assert.match(alarmState(second, first), /latched, 39\u202fms after first-out$/);
  assert.doesNotMatch(alarmState({ ...second, raised: first.raised + 11_000 }, first), /first-out/, 'another cause');
  assert.match(alarmState({ ...second, state: 'acknowledged', by: 'Ines' }, null), /, acknowledged by Ines$/);
  assert.match(alarmState({ ...second, state: 'out-of-service', by: 'Tom', by_at: Date.UTC(2026, 0, 2, 3, 4, 5) }, null), /, out of service by Tom since \d\d:04:05$/);
  assert.ok(isOpen(second));
  assert.deepEqual([span(40), span(2500), span(61_000), span(600_000), span(7_500_000)].map((it) => it.replace(/\u202f/g, ' ')), ['40 ms', '2.5 s', '61 s', '10 min', '2 h 5 min']);
  assert.match(cellName(turnout('T31', { frog: 'wrong', heat: 61 }), state()), /^T31, normal, frog on the wrong rail, contact load 0.%, heat 61.%, quarry$/);
});

test('a restart leaves a gap in the trend as long as nothing was recorded', () => {
  const old = { ...state(), trends: [[1, 2, 3], [4, 5, 6]] };
  const fresh = { ...state(), trends: [[7], [8]] };
  assert.deepEqual(bridged(old, fresh, 200), [[1, 2, 3, null, null, 7], [4, 5, 6, null, null, 8]]);
  assert.equal(bridged(old, fresh, 3_600_000)[0].filter((v) => v !== null).length, 1, 'an hour is longer than the trend');
  assert.deepEqual(bridged({ ...old, districts: [] }, fresh, 200), [[7], [8]], 'another layout is not joined');
});

test('sound: the worst that is not acknowledged, again after its time, silenced, and broken by a new priority 1', () => {
  const alarm = (id, priority, more = {}) => ({ id, priority, raised: 1, state: 'unacknowledged', ...more });
  const [one, two] = [alarm('a', 'high'), alarm('b', 'medium')];
  const never = { ids: '', next: 0 };
  const said = (alarms, more) => due({ alarms, lost: false, silent: 0, now: 1000, last: never, ...more });
  assert.equal(said([]).what, 0);
  assert.equal(said([two]).what, 2);
  assert.equal(said([two, one]).what, 1);
  assert.equal(said([alarm('a', 'high', { state: 'acknowledged' })]).what, 0);
  const last = said([one]);
  assert.deepEqual([said([one], { last, now: 10_999 }).what, said([one], { last, now: 11_000 }).what], [0, 1]);
  const low = said([alarm('c', 'low')]);
  assert.equal(said([alarm('c', 'low')], { last: low, now: 1e9 }).what, 0, 'priority 3 sounds once');
  assert.equal(said([two], { silent: 2000 }).what, 0);
  assert.deepEqual([said([one], { silent: 2000 }).what, said([one], { silent: 2000 }).broken], [1, true]);
  assert.equal(said([one], { silent: 2000, last: { ...last, next: 0 } }).what, 0, 'a known one does not break it');
  assert.equal(said([one], { lost: true }).what, 3, 'lost contact is one tone');
});
