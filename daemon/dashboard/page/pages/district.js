// @ts-check
// The last faults of a district, asked of the history when its row is opened.
import { html, nothing } from '../vendor/lit-html/lit-html.js';
import { get } from '../act.js';
import { ui } from '../app.js';
import { dateTime } from '../words.js';

/** How old an answer may be. Unit: ms. */
const FRESH = 15_000;
const SHOWN = 3;

/** @type {Map<string, {at: number, faults: any[]|null}>} */
const known = new Map();

/** @param {string} id */
async function load(id) {
  const before = known.get(id)?.faults ?? null;
  known.set(id, { at: Date.now(), faults: before });
  const answer = await get(`faults?district=${encodeURIComponent(id)}&limit=${SHOWN}`);
  known.set(id, { at: Date.now(), faults: answer.done ? answer.body.faults : before });
  ui.draw();
}

/** @param {string} id */
export function lastFaults(id) {
  const it = known.get(id);
  if (!it || Date.now() - it.at > FRESH) load(id);
  if (!it?.faults) return nothing;
  if (it.faults.length === 0) return html`<p class="quiet small">No fault of ${id} is recorded.</p>`;
  return html`<p class="small">Last faults: ${it.faults.map((f, n) => html`${n ? ', ' : ''}<a href="/faults/${f.fault}">${f.fault}</a> <span class="quiet">${dateTime(f.trigger_us / 1000).slice(5, 16)}</span>`)}</p>`;
}
