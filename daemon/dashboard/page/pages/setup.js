// @ts-check
// Setup: what this device does, which nodes and links are there, and the limits in force. What the layout file says is
// changed in the file.
import { html, nothing } from '../vendor/lit-html/lit-html.js';
import { ui } from '../app.js';
import { session, signOut } from '../act.js';
import { keysDialog, signInDialog } from '../dialogs.js';
import { prefer, prefs } from '../prefs.js';
import { sign } from '../signs.js';
import { sound } from '../sound.js';
import { ampsUnit, count, span, unusable } from '../words.js';

/** @param {Partial<typeof prefs>} change */
const choose = (change) => { prefer(change); ui.draw(); };
/** @param {keyof typeof prefs} key @param {string} words @param {string} [hint] */
const tick = (key, words, hint) => html`<label class="check"><input type="checkbox" .checked=${prefs[key]} @change=${(e) => choose({ [key]: e.target.checked })}><span>${words}${hint ? html`<br><span class="quiet small">${hint}</span>` : nothing}</span></label>`;

/** @param {any} p */
export function setupPage({ s }) {
  const under = s.alarms.filter((a) => a.under).length;
  return html`<div class="page"><section class="headline l0"><div class="said"><h1>Setup of this device.</h1><p>Names and limits are those of the layout file; they are changed there.</p></div></section>
    <div class="two even"><div>${device()}${sounds(s)}</div><div>${person()}${links(s)}${limits(s)}
      <section class="panel" aria-labelledby="h-under"><div class="head"><h2 id="h-under">Alarms under another</h2></div><p class="pad">${under ? `${count(under, 'alarm')} listed inside the alarm that explains ${under === 1 ? 'it' : 'them'}.` : 'None at present.'}</p></section></div></div></div>`;
}

const device = () => html`<section class="panel" aria-labelledby="h-prefs"><div class="head"><h2 id="h-prefs">This device</h2></div><div class="prefs">
  <label>Theme <select @change=${(e) => choose({ theme: e.target.value })}>${['system', 'light', 'dark'].map((t) => html`<option value=${t} ?selected=${prefs.theme === t}>${t}</option>`)}</select></label>
  ${tick('keys', 'Single-key shortcuts')}${tick('flash', 'Flash until acknowledged')}
  ${tick('wall', 'Wall screen', 'Goes back to the live page when nobody has touched it for 30\u202fs.')}
  <button @click=${keysDialog}>Show the keys</button></div></section>`;

/** @param {any} s */
const sounds = (s) => html`<section class="panel" aria-labelledby="h-sound"><div class="head"><h2 id="h-sound">Sound</h2></div><div class="prefs">
  ${tick('sounds', 'This screen sounds alarms', 'Mark one screen in a room, so that several do not ring together.')}
  ${s.demo ? html`<p>The demo sounds no alarms. The tests below sound.</p>` : sound.waits ? html`<p>${sign(3)} Browsers are silent until somebody taps: use a test button.</p>` : nothing}
  <label class="volume">Volume ${prefs.volume}\u202f%<input type="range" min="0" max="100" step="5" .value=${String(prefs.volume)} @input=${(e) => choose({ volume: Number(e.target.value) })}></label>
  <div class="buttons" role="group" aria-label="Test the sound">${[1, 2, 3].map((n) => html`<button @click=${() => sound.start().then(() => { sound.sound(n); ui.draw(); })}>${sign(n)} Test ${n}</button>`)}</div>
  <p class="quiet small">1: ten pulses every 10\u202fs. 2: three every 30\u202fs. 3: one, once. Lost contact: one every 10\u202fs.</p></div></section>`;

const person = () => html`<section class="panel" aria-labelledby="h-who"><div class="head"><h2 id="h-who">Who acts here</h2></div><div class="prefs">
  <p>${session.role === 'operator' ? html`Signed in as <b>${session.name}</b>. What you do is kept with your name.` : 'Nobody is signed in. Looking needs no sign-in, acting does.'}</p>
  <button @click=${() => (session.role === 'operator' ? signOut().then(() => ui.draw()) : signInDialog())}>${session.role === 'operator' ? 'Sign out' : 'Sign in to act'}</button></div></section>`;

/** @param {any} s */
const links = (s) => html`<section class="panel" aria-labelledby="h-links"><div class="head"><h2 id="h-links">Links and nodes</h2></div><dl class="facts">
  ${s.links.map((l) => html`<dt>${l.name}</dt><dd>${l.up ? l.text || 'connected' : html`<b>${l.text || 'not connected'}</b>`}${l.unusable ? html`<br><span class="quiet small">${unusable(l)}</span>` : nothing}</dd>`)}
  ${s.nodes.map((n) => html`<dt>node ${n.name}</dt><dd>${n.up ? 'alive' : html`<b>silent${n.silent ? ` for ${span(n.silent * 1000)}` : ''}</b>`}</dd>`)}
  ${s.links.length + s.nodes.length ? nothing : html`<dt>none</dt><dd>no link is configured and no node was seen</dd>`}
  <dt>history</dt><dd>${s.history_ok ? 'can be written' : html`<b>cannot be written</b>`}</dd></dl></section>`;

/** @param {any} s */
const limits = (s) => html`<section class="panel" aria-labelledby="h-limits"><div class="head"><h2 id="h-limits">Limits</h2></div><dl class="facts">
  ${s.boosters.map((b) => html`<dt>booster ${b.id}</dt><dd>${ampsUnit(b.limit_ma)} at ${(b.volts_mv / 1000).toFixed(1)}\u202fV${b.can_cut ? '' : ', no actuator'}</dd>`)}
  ${s.districts.map((d) => html`<dt>${d.id}</dt><dd>trips at ${ampsUnit(d.trip_ma)} (${d.breaker === 'none' ? 'its booster' : d.breaker})${d.can_cut ? '' : ', cut through its booster'}</dd>`)}</dl></section>`;
