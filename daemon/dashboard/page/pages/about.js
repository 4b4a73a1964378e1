// @ts-check
// About: what Checkrail is, what it is not, and what this device prefers.
import { html, nothing } from '../vendor/lit-html/lit-html.js';
import { ui } from '../app.js';
import { session, signOut } from '../act.js';
import { keysDialog, signInDialog } from '../dialogs.js';
import { prefer, prefs } from '../prefs.js';
import { span } from '../words.js';

const CAUTIONS = [
  ['Checkrail supervises. It does not replace a breaker, fuse or current-limited supply.', 'These must protect the wiring with Checkrail off. Low-voltage, high-current buses can burn and start fires. Mains wiring and power supplies: local codes and licensed practice decide.'],
  ['A cut is not isolation.', 'Before working under the table or soldering, unplug the booster.'],
  ['Look and smell before restoring.', 'Hot wheels, rails and machines remain after a cut. Trains with stored energy roll on for seconds.'],
  ['Nobody restores a district while another person works on it.', 'Put a hold on it; only the holder releases it.'],
  ['Above 100 VA a supply no longer counts as power-limited.', 'That is 15 V and 6.7 A: give each district a breaker. A partial short just under a 5 A trip is 67 W for ever.'],
  ['Two boosters out of phase put up to twice the volts across a gap.', 'Test the gap before joining.'],
  ['This is not a safety device of any integrity level.', 'It runs on one ordinary computer. The actuator is energised to run and open when unpowered, rated to break the booster’s full limit; a welded one is found only by a cut test: do one every month.'],
  ['Not measured is said, never guessed.', 'Where a reading is missing the page says so. Computed values are labelled computed or estimated, assumptions assumed.'],
];

/** @param {any} p */
export function aboutPage({ s }) {
  return html`<div class="page about"><section class="headline l0"><div><h1>What Checkrail does, and what it does not.</h1><p>Version ${s.version}. Layout ${s.layout.name}, ${s.layout.control.toUpperCase()}.</p></div></section>
    <div class="two"><section class="panel" aria-labelledby="h-limits"><div class="head"><h2 id="h-limits">Limits and cautions</h2></div><dl class="cautions">${CAUTIONS.map(([k, v]) => html`<dt>${k}</dt><dd>${v}</dd>`)}</dl></section>
    <div><section class="panel" aria-labelledby="h-prefs"><div class="head"><h2 id="h-prefs">This device</h2></div><div class="prefs">
      <label>Theme <select @change=${(e) => { prefer({ theme: e.target.value }); ui.draw(); }}>${['system', 'light', 'dark'].map((t) => html`<option value=${t} ?selected=${prefs.theme === t}>${t}</option>`)}</select></label>
      <label class="check"><input type="checkbox" .checked=${prefs.keys} @change=${(e) => { prefer({ keys: e.target.checked }); ui.draw(); }}> Single-key shortcuts</label>
      <label class="check"><input type="checkbox" .checked=${prefs.flash} @change=${(e) => { prefer({ flash: e.target.checked }); ui.draw(); }}> Flash until acknowledged</label>
      <button @click=${keysDialog}>Show the keys</button></div></section>
    <section class="panel" aria-labelledby="h-links"><div class="head"><h2 id="h-links">Links and nodes</h2></div><dl class="facts">
      ${s.links.map((l) => html`<dt>${l.name}</dt><dd>${l.up ? l.text || 'connected' : html`<b>${l.text || 'not connected'}</b>`}</dd>`)}
      ${s.nodes.map((n) => html`<dt>node ${n.name}</dt><dd>${n.up ? 'alive' : html`<b>silent${n.silent ? ` for ${span(n.silent * 1000)}` : ''}</b>`}</dd>`)}
      ${s.links.length + s.nodes.length ? nothing : html`<dt>none</dt><dd>no link is configured and no node was seen</dd>`}
      <dt>history</dt><dd>${s.history_ok ? 'can be written' : html`<b>cannot be written</b>`}</dd></dl></section>
    <section class="panel" aria-labelledby="h-for"><div class="head"><h2 id="h-for">For programs</h2></div><ul class="plain"><li><a data-out href="/api/v1/openapi.json">API description</a></li><li><a data-out href="/api/v1/state">State as JSON</a></li><li><a data-out href="/metrics">Metrics</a></li><li><a data-out href="/health">Health</a></li><li><a data-out href="/assets/vendor/lit-html/LICENSE">Licence of lit-html, which this page uses</a></li></ul></section></div></div></div>`;
}

/** The phone's fifth tab. */
export const morePage = () => html`<div class="page"><section class="headline l0"><div><h1>More</h1></div></section><ul class="menu"><li><button class="wide" @click=${() => (session.role === 'operator' ? signOut().then(() => ui.draw()) : signInDialog())}>${session.role === 'operator' ? `Sign out ${session.name}` : 'Sign in to act'}</button></li><li><a href="/machines">Machines: wear, and what is due</a></li><li><a href="/report">Session report: uptime, faults, alarms</a></li><li><a href="/about">About: limits, cautions, this device</a></li></ul></div>`;
