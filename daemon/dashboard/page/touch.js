// @ts-check
// On touch a small cell is easily missed: a tap opens a sheet with the tapped turnout and its neighbours, large.
import { html } from './vendor/lit-html/lit-html.js';
import { open } from './dialogs.js';
import { glyph, sign } from './signs.js';
import { cellName, positionWord, trouble } from './words.js';

/** Neighbours shown on each side. */
const AROUND = 4;

/** @param {number[]} list the turnouts that stand side by side @param {number} at the tapped one @param {() => any} state @param {(at: number) => void} choose */
export function enlarge(list, at, state, choose) {
  const place = Math.max(0, list.indexOf(at));
  const from = Math.max(0, Math.min(place - AROUND, list.length - 2 * AROUND - 1));
  const shown = list.slice(from, from + 2 * AROUND + 1);
  let chosen = at;
  const dialog = open('Which turnout?', (again, close) => html`<div class="enlarged" role="group" aria-label="Turnouts around the one tapped">
    ${shown.map((n) => one(state(), n, n === chosen, () => { chosen = n; choose(n); again(); }))}</div>
    <p>${said(state(), chosen)}</p>
    <div class="buttons"><button class="act" @click=${close}>Show ${state().turnouts[chosen].id}</button></div>`);
  dialog.classList.add('low');
  choose(at);
}

/** @param {any} s @param {number} n @param {boolean} chosen @param {() => void} pick */
function one(s, n, chosen, pick) {
  const t = s.turnouts[n];
  const bad = trouble(t);
  return html`<button class="big ${bad ? `p${bad.level}` : ''}" aria-pressed=${chosen ? 'true' : 'false'} aria-label=${cellName(t, s)} @click=${pick}>${glyph(t, 28)}<b>${t.id}</b></button>`;
}

/** @param {any} s @param {number} n */
function said(s, n) {
  const t = s.turnouts[n];
  const bad = trouble(t);
  return html`${bad ? sign(bad.level) : ''} <b>${t.id}</b> ${positionWord(t)}${bad ? `, ${bad.text}` : ', in order'}`;
}
