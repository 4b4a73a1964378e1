// @ts-check
// About: what Checkrail is, what it is not, and what this device prefers.
import { html } from '../vendor/lit-html/lit-html.js';
import { ui } from '../app.js';
import { session, signOut } from '../act.js';
import { signInDialog } from '../dialogs.js';

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
    <div><section class="panel" aria-labelledby="h-for"><div class="head"><h2 id="h-for">For programs</h2></div><ul class="plain"><li><a data-out href="/api/v1/openapi.json">API description</a></li><li><a data-out href="/api/v1/state">State as JSON</a></li><li><a data-out href="/metrics">Metrics</a></li><li><a data-out href="/health">Health</a></li><li><a data-out href="/assets/vendor/lit-html/LICENSE">Licence of lit-html, which this page uses</a></li></ul></section></div></div></div>`;
}

/** The phone's fifth tab. */
export const morePage = () => html`<div class="page"><section class="headline l0"><div><h1>More</h1></div></section><ul class="menu"><li><button class="wide" @click=${() => (session.role === 'operator' ? signOut().then(() => ui.draw()) : signInDialog())}>${session.role === 'operator' ? `Sign out ${session.name}` : 'Sign in to act'}</button></li><li><a href="/turnouts">Turnouts: which disagree or run hot</a></li><li><a href="/wiring">Wiring: which wire on which terminal</a></li><li><a href="/machines">Machines: wear, and what is due</a></li><li><a href="/report">Session report: uptime, faults, alarms</a></li><li><a href="/setup">Setup: this device, sound, nodes, limits</a></li><li><a href="/about">About: limits and cautions</a></li></ul></div>`;
