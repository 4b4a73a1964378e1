// @ts-check
// Wiring: which wire goes on which terminal? One table a switch machine, made for paper; the same as the printed sheets.
import { html, nothing, svg } from '../vendor/lit-html/lit-html.js';
import { get } from '../act.js';
import { ui } from '../app.js';
import { count, dateTime } from '../words.js';

/** @type {{name: string|null, it: any, error: string, machines: Map<string, any>}} */
const sheet = { name: null, it: null, error: '', machines: new Map() };

/** What is measured is asked for again with each sheet; the wiring itself does not change while the daemon runs. @param {string} name */
async function load(name) {
  Object.assign(sheet, { name, it: null, error: '' });
  const [it, ledger] = await Promise.all([get(name ? `wiring/${encodeURIComponent(name)}` : 'wiring'), get('machines?limit=1000')]);
  if (sheet.name !== name) return;
  sheet.machines = new Map((ledger.done ? ledger.body.machines : []).map((m) => [m.machine.replace('machine/', ''), m]));
  Object.assign(sheet, { it: it.done ? it.body : null, error: it.done ? '' : it.status === 404 ? `no district or machine is called ${name}` : it.message });
  ui.draw();
}

/** @param {any} p */
export function wiringPage({ s, at }) {
  const name = decodeURIComponent(at.id ?? '');
  if (sheet.name !== name) load(name);
  if (!sheet.it) return html`<div class="page">${heading(sheet.error ? `No sheet: ${sheet.error}.` : 'Reading the wiring.', '')}</div>`;
  return name ? sheets(s, sheet.it) : index(s, sheet.it);
}

/** @param {string} title @param {any} detail @param {any} [buttons] */
const heading = (title, detail, buttons) => html`<section class="headline l0"><div class="said"><h1>${title}</h1><p>${detail}</p></div>${buttons ? html`<div class="buttons">${buttons}</div>` : nothing}</section>`;

/** @param {any} it */
const caution = (it) => (it.errors ? html`<p class="panel pad paper-caution"><strong>Do not solder by these sheets yet:</strong> <code>checkrail check</code> finds ${count(it.errors, 'error')} in the wiring.</p>` : nothing);

/** T2 before T10. @param {string} a @param {string} b */
const byNumber = (a, b) => a.localeCompare(b, 'en', { numeric: true });

/** @param {any} s @param {any} it */
function index(s, it) {
  const all = it.districts.reduce((sum, d) => sum + d.machines.length, it.homeless.length);
  const link = (id) => html`<a class="chip" href="/wiring/${id}">${id}</a>`;
  return html`<div class="page">${heading(all ? `${count(all, 'switch machine')} to wire.` : 'No switch machine is in the layout file.', 'A sheet shows which wire goes on which terminal. Take a district at once, or one machine.')}
    ${caution(it)}
    ${it.districts.map((d) => html`<section class="panel" aria-labelledby="w-${d.id}"><div class="head"><h2 id="w-${d.id}">${d.id}</h2><span class="quiet">${count(d.machines.length, 'machine')}</span>${d.machines.length ? html`<span class="buttons"><a class="button" href="/wiring/${d.id}">All of ${d.id}</a></span>` : nothing}</div>
      ${d.machines.length ? html`<p class="chips">${[...d.machines].sort(byNumber).map(link)}</p>` : html`<p class="pad quiet">No switch machine.</p>`}</section>`)}
    ${it.homeless.length ? html`<section class="panel" aria-label="Machines that no trackwork names"><div class="head"><h2>Machines that no trackwork names</h2></div><p class="chips">${it.homeless.map(link)}</p></section>` : nothing}
    <p class="quiet small">The book with drawings, wire lists, bench tests and labels: <code>checkrail sheets LAYOUT --out DIR</code>.</p></div>`;
}

/** @param {any} s @param {any} it */
function sheets(s, it) {
  const title = it.kind === 'district' ? `Wiring sheet, ${it.name}` : `Wiring sheet, switch machine ${it.name}`;
  const today = dateTime(Date.now()).slice(0, 10);
  return html`<div class="page wiring">
    <section class="headline l0 screen-only"><div class="said"><h1>${title}.</h1><p>${count(it.machines.length, 'machine')}, revision ${it.revision}. Two machines fit a page of A4 or Letter.</p></div><div class="buttons"><a class="button" href="/wiring">All districts</a><button class="act" @click=${() => print()}>Print</button></div></section>
    <article class="paper" aria-label=${title}>
      <header class="sheet-head"><div>${s.demo ? html`<p class="demo-mark"><b>DEMO, nothing here is wired.</b></p>` : nothing}<h2>${title}</h2></div><p>${s.layout.name}<br>revision ${it.revision}, ${today}${s.demo ? html`<br><b>DEMO</b>` : nothing}</p></header>
      ${caution(it)}
      <p class="paper-caution">Unplug the booster before you work under the layout. Checkrail supervises; it does not replace a breaker, a fuse or a current-limited supply sized for the wiring.</p>
      ${it.machines.length ? it.machines.map(machine) : html`<p>No switch machine.</p>`}
      <p class="sign-line">Checked by <i></i> Date <i class="short"></i></p></article></div>`;
}

/** @param {any} m */
function machine(m) {
  const known = sheet.machines.get(m.id);
  return html`<section class="machine-sheet" aria-labelledby="m-${m.id}">
    <div class="machine-head"><div><h3 id="m-${m.id}">Switch machine ${m.id}, ${m.belongs}</h3>
      <p>${count(m.contacts, 'contact')}, each rated ${m.rating_ma / 1000}\u202fA. ${m.rows.every((r) => r.named) ? '' : 'Names in brackets are ours: write the machine’s own in. '}${m.by_meter ? 'Terminals as a meter found them. ' : ''}${known?.proved ? html`<b>Proved ${known.proved.slice(0, 10)}.</b>` : 'Not proved.'}</p></div>${code(m)}</div>
    <div class="scroll" tabindex="0" role="region" aria-label="Terminals of ${m.id}"><table class="sheet-table"><caption class="sr">Terminals of switch machine ${m.id}</caption>
      <thead><tr><th scope="col">Terminal</th><th scope="col">Function</th><th scope="col">Wire</th><th scope="col">Goes to</th><th scope="col">Measured</th><th scope="col">Checked</th><th scope="col">Note</th></tr></thead>
      <tbody>${m.rows.map((r) => terminal(r, known))}</tbody></table></div>
    ${m.notes.map((n) => html`<p class="machine-note">${n}</p>`)}</section>`;
}

/** @param {any} m */
const code = (m) => (m.code
  ? html`<a class="code" href="/commission/${m.id}"><svg viewBox="0 0 ${m.code.size} ${m.code.size}" role="img" aria-label="Code that opens the commissioning of ${m.id}" shape-rendering="crispEdges">${svg`<path d=${m.code.path}></path>`}</svg></a>`
  : nothing);

/** @param {any} r @param {any} known */
function terminal(r, known) {
  const lines = (of) => r.wires.map((w, n) => html`${n ? html`<br>` : nothing}${of(w)}`);
  const wire = (w) => [w.number === null ? '' : `${w.number}`, w.colour, w.gauge].filter(Boolean).join(', ') || '–';
  return html`<tr><th scope="row">${r.named ? r.terminal : html`<span class="quiet">(${r.terminal})</span>`}</th><td>${r.function}</td><td>${lines(wire)}</td><td>${r.free ?? lines((w) => w.to)}</td>
    <td>${measured(r, known)}</td><td class="tick">${known?.proved && !r.free ? html`<span role="img" aria-label="checked">✓</span>` : html`<span class="box" role="img" aria-label="not checked"></span>`}</td><td></td></tr>`;
}

/** What the ledger measured of what hangs on this terminal. @param {any} r @param {any} m */
function measured(r, m) {
  if (!m) return '';
  if (/^motor, lead 1$/.test(r.function) && typeof m.throw_latest === 'number') return `throw ${m.throw_latest.toFixed(2)}\u202fs`;
  if (/ 1 common$/.test(r.function) && typeof m.change_over_ms === 'number') return `change-over ${Math.round(m.change_over_ms)}\u202fms`;
  return '';
}
