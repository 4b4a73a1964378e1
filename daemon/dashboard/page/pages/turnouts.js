// @ts-check
// Turnouts: which disagree or run hot? The exceptions as cards, then all of them.
import { html, nothing } from '../vendor/lit-html/lit-html.js';
import '../cells.js';
import { ui } from '../app.js';
import { turnoutCounts } from '../headline.js';
import { bullet, glyph, sign } from '../signs.js';
import { FROG, percent, positionWord, trouble } from '../words.js';
import { detail } from './live.js';

/** Above this the table becomes a matrix. */
const ROWS = 60;

/** @param {any} p */
export function turnoutsPage({ s, lost }) {
  const only = new URLSearchParams(location.search).get('district');
  const found = s.turnouts.map((t, at) => ({ t, at })).filter(({ t }) => matches(s, t, only));
  const all = ui.onlyBad ? found.filter(({ t }) => trouble(t)) : found;
  const bad = found.filter(({ t }) => trouble(t));
  const n = turnoutCounts(s);
  const title = n.all === 0 ? 'No turnouts are wired.' : n.bad ? `${n.bad} of ${n.all} turnouts need attention.` : n.unmeasured === n.all ? 'No frog is measured.' : `${n.good} of ${n.all} turnouts in order.`;
  return html`<div class="page"><section class="headline l0"><div class="said"><div role="status"><h1>${lost ? 'Last known: ' : ''}${title}</h1></div><p>${positions(s)}${n.old ? `${n.old} only last known. ` : ''}${n.unmeasured ? `${n.unmeasured} not measured. ` : ''}${only ? `Only ${only}. ` : ''}</p></div>
    <form class="buttons" role="search" @submit=${(e) => { e.preventDefault(); if (all[0]) { ui.chosen = all[0].at; ui.draw(); } }}>
      <label class="find">Find turnout <input id="find" type="search" .value=${ui.find} @input=${(e) => { ui.find = e.target.value; ui.draw(); }}></label>
      <button type="button" aria-pressed=${ui.onlyBad ? 'true' : 'false'} @click=${() => { ui.onlyBad = !ui.onlyBad; ui.draw(); }}>Only attention</button>
      <label class="find">District <select @change=${(e) => ui.go(e.target.value ? `/turnouts?district=${e.target.value}` : '/turnouts')}><option value="" ?selected=${!only}>all</option>${s.districts.map((d) => html`<option value=${d.id} ?selected=${d.id === only}>${d.id}</option>`)}</select></label></form></section>
    ${bad.length ? html`<ul class="cards" aria-label="Turnouts that need attention">${bad.slice(0, 12).map(({ t, at }) => card(s, t, at))}</ul>` : nothing}
    <div class="with-detail"><div>${s.turnouts.length > ROWS ? matrix(s, all) : table(s, all)}</div>${all.length ? detail(s) : nothing}</div></div>`;
}

/** @param {any} s @param {any} t @param {string|null} only */
const matches = (s, t, only) => (!only || s.districts[t.district].id === only) && (!ui.find || t.id.toLowerCase().includes(ui.find.trim().toLowerCase()));

/** @param {any} s */
function positions(s) {
  const at = (word) => s.turnouts.filter((t) => t.position === word).length;
  return s.turnouts.length ? `${at('normal')} normal, ${at('reverse')} reverse. ` : '';
}

/** @param {any} s @param {any} t @param {number} at */
export function card(s, t, at) {
  const bad = trouble(t);
  return html`<li class="card ${bad ? `p${bad.level}` : ''} ${t.old ? 'old' : ''}"><button @click=${() => choose(at)}>
    ${glyph(t, 46)}<span><b>${t.id}</b> ${positionWord(t)}, <span class="quiet">${s.districts[t.district].id}</span><br>${bad ? html`${sign(bad.level, { size: 18 })} <b>${bad.text}</b>` : FROG[t.frog]}<br>${bullet({ fill: t.load, tick: t.heat, width: 90, label: `load ${percent(t.load)}, heat ${percent(t.heat)}` })} <span class="quiet">heat ${percent(t.heat)}</span></span></button></li>`;
}

/** @param {any} s @param {{t: any, at: number}[]} all */
function matrix(s, all) {
  return html`<section class="panel" aria-labelledby="h-matrix"><div class="head"><h2 id="h-matrix">All turnouts</h2><span class="quiet">upper mark position (left normal, right reverse), lower mark frog, bar contact load; arrow keys move, Enter chooses</span></div><div class="districts" data-one-stop>
    ${s.districts.map((d, n) => {
      const list = all.filter(({ t }) => t.district === n).map(({ at }) => at);
      return list.length ? html`<div class="group small" role="group" aria-label="Turnouts of ${d.id}"><h3><span>${d.id}</span> <span class="quiet">${list.length}</span></h3><turnout-cells class="matrix" .model=${{ s, list, small: true, chosen: ui.chosen }}></turnout-cells></div>` : nothing;
    })}</div></section>`;
}

/** Its detail is beside the list, or far below it on a phone: there it is brought up. @param {number} at */
function choose(at) {
  ui.chosen = at;
  ui.draw();
  document.getElementById('h-detail')?.scrollIntoView({ block: 'nearest' });
}

/** @param {any} s @param {{t: any, at: number}[]} all */
function table(s, all) {
  if (all.length === 0) return html`<p class="panel empty">No turnout of that name.</p>`;
  return html`<section class="panel"><div class="scroll" tabindex="0" role="region" aria-label="All turnouts"><table class="stack"><caption class="sr">All turnouts</caption>
    <thead><tr><th scope="col">Turnout</th><th scope="col">District</th><th scope="col">Position</th><th scope="col">Frog</th><th scope="col">Contact load</th><th scope="col">Contact heat</th><th scope="col" class="n">Hits</th><th scope="col" class="n">Throw</th></tr></thead>
    <tbody>${all.map(({ t, at }) => html`<tr class="${t.old ? 'old' : ''} ${at === ui.chosen ? 'chosen' : ''}">
      <th scope="row"><button class="link" @click=${() => choose(at)}>${t.id}</button></th><td data-label="District">${s.districts[t.district].id}</td>
      <td data-label="Position">${glyph(t, 18)} ${positionWord(t)}</td><td data-label="Frog" class=${t.frog === 'wrong' || t.frog === 'dead' ? 'p1t' : ''}>${FROG[t.frog]}</td>
      <td data-label="Contact load">${bullet({ fill: t.load, width: 70, label: percent(t.load) })} ${percent(t.load)}</td><td data-label="Contact heat">${bullet({ fill: t.heat, width: 70, label: percent(t.heat) })} ${percent(t.heat)}</td>
      <td data-label="Hits" class="n">${t.hits}</td><td data-label="Throw" class="n">${t.throw_ms ? `${(t.throw_ms / 1000).toFixed(2)}\u202fs` : '–'}</td></tr>`)}</tbody></table></div></section>`;
}
