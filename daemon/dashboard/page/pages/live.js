// @ts-check
// Live: is everything on? If not, what is off and why?
import { html, nothing } from '../vendor/lit-html/lit-html.js';
import '../cells.js';
import '../spark.js';
import { ui } from '../app.js';
import { cutDialog, request } from '../dialogs.js';
import { turnoutCounts } from '../headline.js';
import { restoreDialog } from '../restore.js';
import { bullet, glyph, sign } from '../signs.js';
import { FROG, amps, ampsUnit, capital, clockMs, conductor, count, dateTime, isAside, level, percent, positionWord, powerWord, span, trouble, voltsUnit } from '../words.js';
import { alarmPanel } from './alarms.js';
import { card } from './turnouts.js';
import { lastFaults } from './district.js';

/** Up to this each turnout is a card; above it cells. */
const CARDS = 8;
/** Above this the live page shows exceptions and counts instead of cells. */
const CELLS = 60;
/** Above this the districts' turnouts stand side by side where there is room. */
const GROUPS = 6;

/** @param {any} p */
export function livePage({ s, lost, top }) {
  if (s.districts.length === 0) return html`${top}${empty()}`;
  return html`${top}<div class="live">
    <div class="column">${power(s, lost)}${turnouts(s)}</div><div class="column">${alarmPanel(s, lost, 4)}${detail(s)}${hottest(s)}</div></div>`;
}

const empty = () => html`<section class="panel empty"><div class="head"><h2>Three next steps</h2></div><ol>
  <li>Write the layout file: boosters, districts, blocks, turnouts. The starter in <code>config/</code> has comments for each line.</li>
  <li>Prove it: <code>checkrail check LAYOUT</code> names every frog, feed and gap that is wrong.</li>
  <li>Connect one node and start <code>checkrail run LAYOUT</code>. Its first reading shows here.</li></ol></section>`;

/** The single-line ledger: the diagram is the left edge of the table. @param {any} s @param {boolean} lost */
function power(s, lost) {
  const trip = Math.max(...s.districts.map((d) => d.trip_ma));
  return html`<section class="panel a-power" aria-labelledby="h-power">
    <div class="head"><h2 id="h-power">Power</h2><span class="quiet">filled breaker (52) is closed, shaded block is occupied, trend is 60 s on a shared 0 to ${amps(trip).replace(/\.?0+$/, '')} A scale</span></div>
    <div class="ledger"><trend-sheet></trend-sheet>${s.boosters.map((b, at) => feeders(s, b, at, lost))}</div></section>`;
}

/** @param {any} s @param {any} b @param {number} at @param {boolean} lost */
function feeders(s, b, at, lost) {
  const rows = s.districts.map((d, n) => ({ d, n })).filter(({ d }) => d.booster === at);
  const off = b.power === 'cut' ? 'off' : '';
  return html`<div class="feeders ${off}"><div class="booster ${off} ${b.ma_old ? 'old' : ''}"><strong>${b.id}</strong><span class="quiet">${off ? 'Off' : `${amps(b.ma)} of ${b.limit_ma / 1000} A`}</span></div>
    <ul class="bus">${rows.map(({ d, n }) => feeder(s, d, n, lost))}</ul></div>`;
}

/** @param {any} s @param {any} d @param {number} n @param {boolean} lost */
function feeder(s, d, n, lost) {
  const off = d.power === 'cut' || d.power === 'cutting';
  const bad = d.power === 'cut-failed';
  const open = ui.district === n;
  const occupied = d.blocks.filter((k) => s.blocks[k].occupied === 'yes').length;
  return html`<li class="feeder ${off ? 'off' : ''} ${d.ma_old ? 'old' : ''} ${d.power === 'unknown' ? 'unknown' : ''}">
    <span class="breaker" title="breaker of ${d.id}, ${d.breaker}"><span class="sr">Breaker ${off ? 'open' : d.power === 'unknown' ? 'not known' : 'closed'}.</span></span>
    <button class="name" aria-expanded=${open ? 'true' : 'false'} @click=${() => { ui.district = open ? null : n; ui.draw(); }}>${d.id}${d.held_by.length ? html` <span class="boxed">held</span>` : nothing}</button>
    <span class="blocks" role="img" aria-label="${occupied} of ${count(d.blocks.length, 'block')} occupied">${d.blocks.map((k) => html`<i class="block ${s.blocks[k].occupied} ${s.blocks[k].held ? 'held' : ''} ${off ? 'off' : ''}">${s.blocks[k].id}</i>`)}</span>
    <span class="trend" data-trend=${n} aria-hidden="true"></span><span class="sr">${steadiness(s, n)}</span>
    <span class="amps">${off || bad ? html`${sign(bad ? 1 : offLevel(s, n), { size: 18 })}<b>${capital(powerWord(d))}</b>` : html`<b>${amps(d.ma)}</b> <small>A</small>`}</span>
    ${open ? districtSheet(s, d, n, lost) : nothing}</li>`;
}

/** What the trend says, in words that change at most every five seconds. @type {Map<number, {at: number, text: string}>} */
const said = new Map();

/** @param {any} s @param {number} n */
function steadiness(s, n) {
  const known = said.get(n);
  if (known && Math.abs(s.t - known.at) < 5000) return known.text;
  const d = s.districts[n];
  const recent = s.trends[n].slice(-100).filter((v) => v !== null);
  const change = recent.length > 20 ? recent.at(-1) - recent[0] : 0;
  const way = Math.abs(change) < Math.max(100, 0.15 * (recent[0] ?? 0)) ? 'steady' : change > 0 ? 'rising' : 'falling';
  const text = d.ma === null ? 'current not measured' : `${d.id}, ${amps(d.ma)} ampere, ${d.ma_old ? 'last known' : way}`;
  said.set(n, { at: s.t, text });
  return text;
}

/** @param {any} s @param {number} n */
function offLevel(s, n) {
  const levels = s.alarms.filter((a) => a.district === n && !isAside(a)).map((a) => level(a.priority));
  return levels.length ? Math.min(...levels) : 0;
}

/** @param {any} s @param {any} d @param {number} n @param {boolean} lost */
function districtSheet(s, d, n, lost) {
  const key = { district: d.id };
  const facts = [
    ['Power', `${powerWord(d)}${d.locked_out ? ', locked out' : ''}`], ['Cause', d.cause_text], ['Current', `${ampsUnit(d.ma)}${d.ma_old ? ', last known' : ''}`],
    ['Voltage', `${voltsUnit(d.mv)}${d.mv_old ? ', last known' : ''}`], ['Trips at', `${ampsUnit(d.trip_ma)} (${d.breaker})`],
    ['Protected', d.protected ? 'current is fresh' : 'no: no fresh current reading'], ['Counts as none', `below ${ampsUnit(d.residual_ma)}`], ['Tries', d.tries || null], ['Held by', d.held_by.join(', ') || null],
    ['Blocks', d.blocks.map((k) => `${s.blocks[k].id} ${({ yes: 'occupied', no: 'clear', unknown: 'not known' })[s.blocks[k].occupied]}${s.blocks[k].held ? ' (held)' : ''}`).join(', ')],
  ];
  return html`<div class="sheet"><dl class="facts">${facts.filter(([, v]) => v).map(([k, v]) => html`<dt>${k}</dt><dd>${v}</dd>`)}</dl>
    <div class="buttons">
      ${d.power === 'cut' ? html`<button class="act" ?disabled=${lost} @click=${() => restoreDialog(n)}>Restore…</button>` : nothing}
      ${d.power !== 'cut' && d.can_cut ? html`<button ?disabled=${lost} @click=${() => cutDialog(n)}>Cut…</button>` : nothing}
      ${d.held_by.length ? html`<button ?disabled=${lost} @click=${() => request('release', key)}>Release hold</button>` : html`<button ?disabled=${lost} @click=${() => request('hold', key)}>Put on hold</button>`}
      ${d.fault === null ? nothing : html`<a class="button" href="/faults/${d.fault}">Open fault ${d.fault}</a>`}
      <a class="button" href="/turnouts?district=${d.id}">Its turnouts</a></div>
    ${lastFaults(d.id)}
    ${d.can_cut ? nothing : html`<p class="quiet small">No actuator: Checkrail cuts its booster instead.</p>`}</div>`;
}

/** @param {any} s */
function turnouts(s) {
  const bad = s.turnouts.filter(trouble).length;
  const at = (word) => s.turnouts.filter((t) => t.position === word).length;
  const many = s.turnouts.length > CELLS;
  return html`<section class="panel a-turnouts" aria-labelledby="h-turnouts">
    <div class="head"><h2 id="h-turnouts">Turnouts</h2><span class="quiet">${fitted(s)}, ${at('normal')} normal, ${at('reverse')} reverse${bad ? `, ${bad} need attention` : ''}</span></div>
    ${s.turnouts.length <= CARDS ? cards(s, s.turnouts.map((_, at) => at)) : nothing}${many && bad ? cards(s, s.turnouts.map((t, at) => (trouble(t) ? at : -1)).filter((at) => at >= 0).slice(0, 12)) : nothing}
    ${s.turnouts.length <= CARDS ? nothing : many ? html`<ul class="counts">${s.districts.map((d, n) => group(s, d, n, many))}</ul>` : html`<div class="groups ${s.districts.length > GROUPS ? 'many' : ''}">${s.districts.map((d, n) => group(s, d, n, many))}</div>`}
    <p class="foot legend quiet"><span>${glyph({ position: 'normal', frog: 'matches' }, 18)} position over frog, in line when they agree</span><span>${glyph({ position: 'reverse', frog: 'wrong' }, 18)} frog on the wrong rail</span><span>${bullet({ fill: 40, tick: 60, width: 44, label: 'bar' })} contact load, heat mark</span><span>N normal, <b>R</b> reverse</span></p></section>`;
}

/** @param {any} s @param {number[]} list */
const cards = (s, list) => (list.length ? html`<ul class="cards inside" aria-label="Turnouts">${list.map((at) => card(s, s.turnouts[at], at))}</ul>` : nothing);

/** A phone folds a district in which nothing is wrong; a tap unfolds it. @param {any} s @param {any} d @param {number} n @param {boolean} many */
function group(s, d, n, many) {
  const all = s.turnouts.map((t, at) => ({ t, at })).filter(({ t }) => t.district === n);
  if (all.length === 0) return nothing;
  const bad = all.filter(({ t }) => trouble(t) || t.old);
  const good = all.length - bad.length;
  if (many) return html`<li><b>${d.id}</b><a href="/turnouts?district=${d.id}">${bad.length ? `${bad.length} to look at, ` : ''}${good} in order</a></li>`;
  const open = ui.unfolded.has(n);
  const fold = () => { if (!ui.unfolded.delete(n)) ui.unfolded.add(n); ui.draw(); };
  return html`<div class="group ${bad.length === 0 ? 'calm' : ''} ${open ? 'open' : ''}" role="group" aria-label="Turnouts of ${d.id}"><h3>${d.id}</h3>
    <button class="fold" aria-expanded=${open ? 'true' : 'false'} @click=${fold}>${bad.length ? `${bad.length} to look at, ${good} in order` : `${all.length} in order`}</button>
    <turnout-cells .model=${{ s, list: all.map(({ at }) => at), small: false, chosen: ui.chosen }}></turnout-cells></div>`;
}

/** Counted by trackwork, as the headline counts: a slip is one turnout with several frogs. @param {any} s */
function fitted(s) {
  const all = turnoutCounts(s).all;
  return all === s.turnouts.length ? `${all} fitted` : `${all} fitted, with ${s.turnouts.length} frogs`;
}

/** The chosen turnout; by default the one that the first-out alarm is about. @param {any} s */
export function chosen(s) {
  if (ui.chosen !== null && s.turnouts[ui.chosen]) return ui.chosen;
  const alarm = s.alarms.find((a) => a.first_out && a.turnout !== null) ?? s.alarms.find((a) => a.turnout !== null);
  if (alarm) return alarm.turnout;
  const bad = s.turnouts.findIndex(trouble);
  return bad >= 0 ? bad : s.turnouts.length ? 0 : null;
}

/** What commissioning said of it: day and initials, while its wiring is what was proved. @param {any} t */
const proved = (t) => (t.proof ? html`${t.proof.state === 'proved' ? '' : html`<b>wires changed since</b> `}${dateTime(t.proof.at).slice(0, 10)}, ${t.proof.by}` : html`<a href="/commission/${t.machine}">not yet</a>`);

/** @param {any} s */
export function detail(s) {
  const at = chosen(s);
  if (at === null) return nothing;
  const t = s.turnouts[at];
  const bad = trouble(t);
  const old = t.old ? `, last known${t.told === null ? '' : `, ${span(Math.max(0, s.t - t.told))} old`}` : '';
  return html`<section class="panel a-detail" aria-labelledby="h-detail"><div class="head"><h2 id="h-detail">${t.id}</h2><span class="quiet">${s.districts[t.district].id}, block ${s.blocks[t.block]?.id}, machine ${t.machine}</span>${bad ? sign(bad.level) : nothing}</div>
    <dl class="facts ${t.old ? 'old' : ''}">
      <dt>Position</dt><dd>${positionWord(t)}${old}</dd>
      <dt>Last told</dt><dd>${t.told === null ? 'never' : clockMs(t.told)}</dd>
      <dt>Frog expected</dt><dd>${conductor(t.expected)}</dd>
      <dt>Frog measured</dt><dd>${conductor(t.measured)} ${glyph(t)} <b class=${t.frog === 'wrong' || t.frog === 'dead' ? 'p1t' : ''}>${FROG[t.frog]}</b></dd>
      <dt>Contact load</dt><dd class="with-bar">${bullet({ fill: t.load, limit: 80, label: `${percent(t.load)} of rating` })}<b>${ampsUnit(t.ma)} of ${t.rating_ma / 1000} A</b></dd>
      <dt>Contact heat</dt><dd class="with-bar">${bullet({ fill: t.heat, limit: 80, label: percent(t.heat) })}<b>${percent(t.heat)}</b></dd>
      <dt>Proved</dt><dd>${proved(t)}</dd>
      <dt>Hits</dt><dd>${t.hits} <span class="quiet">${count(t.throws, 'throw')}${t.throw_ms ? `, last took ${(t.throw_ms / 1000).toFixed(2)} s` : ''}</span></dd>
    </dl>
    <p class="foot quiet small">Load and heat are ${t.estimated ? 'estimated from block current' : 'computed from the measured frog current'}${t.assumed ? ', with an assumed time constant' : ''}.</p></section>`;
}

/** @param {any} s */
function hottest(s) {
  const hot = s.turnouts.map((t, at) => ({ t, at })).sort((a, b) => b.t.heat - a.t.heat).slice(0, 3);
  if (hot.length === 0) return nothing;
  return html`<section class="panel a-hot" aria-labelledby="h-hot"><div class="head"><h2 id="h-hot">Hottest contacts</h2></div><ul class="hot">
    ${hot.map(({ t, at }) => html`<li><button class="link" @click=${() => { ui.chosen = at; ui.draw(); }}>${t.id}</button>${bullet({ fill: t.heat, limit: 80, width: 280, label: `heat ${percent(t.heat)}` })}<b>${percent(t.heat)}</b></li>`)}</ul></section>`;
}
