// @ts-check
// Machines: which is worn, and what is due? The ledger of the history beside what is seen now.
import { html, nothing } from '../vendor/lit-html/lit-html.js';
import { get } from '../act.js';
import { ui } from '../app.js';
import { count, dateTime } from '../words.js';

/** @type {{at: number, list: any[]|null, error: string}} */
const ledger = { at: 0, list: null, error: '' };

async function load() {
  ledger.at = Date.now();
  const answer = await get('machines?limit=1000');
  ledger.list = answer.done ? answer.body.machines : ledger.list;
  ledger.error = answer.done ? '' : answer.message;
  ui.draw();
}

/** @param {any} p */
export function machinesPage() {
  if (Date.now() - ledger.at > 30_000) load();
  const list = ledger.list ?? [];
  const due = list.filter((m) => m.verdict === 'replace');
  const watch = list.filter((m) => m.verdict === 'watch');
  const title = ledger.error ? `The ledger cannot be read: ${ledger.error}.` : ledger.list === null ? 'Reading the ledger.' : list.length === 0 ? 'No machine has been recorded yet.' : due.length ? `${count(due.length, 'machine')} to replace.` : watch.length ? `${count(watch.length, 'machine')} to watch.` : 'No machine is due.';
  return html`<div class="page"><section class="headline l0"><div role="status"><h1>${title}</h1><p>Throws, hits and energy since recording began. No hits does not mean that a contact is good.</p></div></section>
    ${list.length ? html`<section class="panel"><div class="scroll" tabindex="0" role="region" aria-label="Machines"><table><caption class="sr">Machines</caption>
      <thead><tr><th scope="col">Machine</th><th scope="col">Verdict</th><th scope="col" class="n">Throws</th><th scope="col" class="n">Last throw</th><th scope="col" class="n">Hits</th><th scope="col" class="n">Contact stress</th><th scope="col">Proved</th><th scope="col">Because</th></tr></thead>
      <tbody>${list.map(row)}</tbody></table></div></section>` : nothing}</div>`;
}

/** @param {any} m */
function row(m) {
  const hits = m.poles.map((p) => p.hits).join(' / ');
  const stress = m.poles.map((p) => `${Math.round(p.stress)} %`).join(' / ');
  const last = m.throw_times.at(-1);
  return html`<tr><th scope="row">${m.machine.replace('machine/', '')}</th><td>${m.verdict === 'good' ? 'in order' : html`<b>${m.verdict}</b>`}</td><td class="n">${m.throws}</td><td class="n">${last ? `${last.toFixed(2)} s` : '–'}</td><td class="n">${hits}</td><td class="n">${stress}</td><td>${m.proved ? dateTime(Date.parse(m.proved)) : 'never'}</td><td>${m.because}</td></tr>`;
}
