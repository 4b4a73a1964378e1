// @ts-check
// Machines: which is worn, and what is due? The ledger of the history, the worst first.
import { html, nothing, svg } from '../vendor/lit-html/lit-html.js';
import { get } from '../act.js';
import { ui } from '../app.js';
import { count, dateTime } from '../words.js';

/** @type {{at: number, list: any[]|null, error: string}} */
const ledger = { at: 0, list: null, error: '' };
const PLACE = { replace: 0, watch: 1, good: 2 };

async function load() {
  ledger.at = Date.now();
  const answer = await get('machines?limit=1000');
  ledger.list = answer.done ? answer.body.machines : ledger.list;
  ledger.error = answer.done ? '' : answer.message;
  ui.draw();
}

/** What its most used pole carried. @param {any} m */
const used = (m) => Math.max(0, ...m.poles.map((p) => p.stress));

/** @param {any} p */
export function machinesPage() {
  if (Date.now() - ledger.at > 30_000) load();
  const list = [...(ledger.list ?? [])].sort((a, b) => (PLACE[a.verdict] ?? 3) - (PLACE[b.verdict] ?? 3) || used(b) - used(a));
  const due = list.filter((m) => m.verdict === 'replace');
  const watch = list.filter((m) => m.verdict === 'watch');
  const title = ledger.error ? `The ledger cannot be read: ${ledger.error}.` : ledger.list === null ? 'Reading the ledger.' : list.length === 0 ? 'No machine has been recorded yet.' : due.length ? `${count(due.length, 'machine')} to replace${watch.length ? `, ${watch.length} to watch` : ''}.` : watch.length ? `${count(watch.length, 'machine')} to watch.` : 'No machine to replace or to watch.';
  return html`<div class="page broad"><section class="headline l0"><div class="said"><div role="status"><h1>${title}</h1></div><p>Since recording began. No hits does not mean that a contact is good: only a measurement does.</p></div><div class="buttons"><a class="button" data-out download href="/api/v1/machines?as=csv">Save as CSV</a></div></section>
    ${list.length ? html`<section class="panel"><div class="scroll" tabindex="0" role="region" aria-label="Machines"><table class="stack"><caption class="sr">Machines, the worst first</caption>
      <thead><tr><th scope="col">Machine</th><th scope="col">Verdict</th><th scope="col">Because</th><th scope="col" class="n">Throws</th><th scope="col">Throw time</th><th scope="col" class="n">Change-over gap</th><th scope="col" class="n">Mismatches</th><th scope="col" class="n">Hits by pole</th><th scope="col" class="n">Stress used</th><th scope="col">Proved</th></tr></thead>
      <tbody>${list.map(row)}</tbody></table></div>
      <p class="foot quiet">Stress used: energy of all faults carried, in percent of what one pole’s thermal image holds, by pole; computed. Replace from 500 %; watch from 100 %, from 10 hits on a pole, from 3 mismatches, or when throws take 1.5 times as long as at first (common practice, no source). Change-over gap: how long the frog had no power in a throw, median of the latest ten.</p></section>` : nothing}</div>`;
}

/** @param {any} m */
function row(m) {
  const poles = (of) => (m.poles.length ? m.poles.map(of).join(' / ') : '–');
  return html`<tr><th scope="row">${m.machine.replace('machine/', '')}</th><td data-label="Verdict" class="nowrap">${m.verdict === 'good' ? 'in order' : html`<b>${m.verdict}</b>`}</td><td data-label="Because" class="because wide">${m.because}</td><td data-label="Throws" class="n">${m.throws}</td><td data-label="Throw time" class="nowrap">${throwTime(m)}</td><td data-label="Change-over gap" class="n">${typeof m.change_over_ms === 'number' ? `${Math.round(m.change_over_ms)}\u202fms` : html`<span class="quiet">not measured</span>`}</td><td data-label="Mismatches" class="n">${m.mismatches ?? '–'}</td><td data-label="Hits by pole" class="n">${poles((p) => p.hits)}</td><td data-label="Stress used" class="n">${poles((p) => `${p.stress < 10 ? p.stress.toFixed(1) : Math.round(p.stress)}\u202f%`)}</td><td data-label="Proved">${proved(m)}</td></tr>`;
}

/** Day and initials; where it counts no more, why. @param {any} m */
function proved(m) {
  const day = (at) => dateTime(Date.parse(at)).slice(0, 10);
  if (m.proved) return html`<span class="nowrap">${day(m.proved)}</span>${m.proved_by ? html` <span class="quiet">${m.proved_by}</span>` : nothing}`;
  if (!m.proved_before) return 'never';
  return html`<s>${day(m.proved_before)}</s> <b>${m.unproved_by === 'failed' ? 'failed since' : 'rewired since'}</b>`;
}

/** The latest throws as a line from zero, with the last in words. @param {any} m */
function throwTime(m) {
  const times = m.throw_times;
  if (times.length === 0) return html`<span class="quiet">not measured</span>`;
  const high = Math.max(...times) * 1.1;
  const x = (n) => 2 + (times.length > 1 ? (n / (times.length - 1)) * 84 : 84);
  const y = (v) => 18 - (v / high) * 16;
  const trend = typeof m.throw_first === 'number' ? `${m.throw_first.toFixed(2)} s at first, ${m.throw_latest.toFixed(2)} s lately` : 'too few for a trend';
  return html`<svg class="throws" viewBox="0 0 90 20" role="img" aria-label=${trend}><title>${trend}</title>${svg`<path d=${times.map((v, n) => `${n ? 'L' : 'M'}${x(n).toFixed(1)} ${y(v).toFixed(1)}`).join('')}></path><circle cx=${x(times.length - 1)} cy=${y(times.at(-1))} r="2"></circle>`}</svg> ${times.at(-1).toFixed(2)}\u202fs`;
}
