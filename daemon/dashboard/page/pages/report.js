// @ts-check
// Session report: what was this session like? Asked of the history; the same as one page to keep.
import { html, nothing, svg } from '../vendor/lit-html/lit-html.js';
import { get } from '../act.js';
import { ui } from '../app.js';
import { clock, count, dateTime, span } from '../words.js';

/** @type {{key: string|null, it: any, error: string}} */
const report = { key: null, it: null, error: '' };

/** The span by the address. A local time becomes an instant, so that the daemon's time zone does not matter. */
function asked() {
  const given = new URLSearchParams(location.search);
  const out = new URLSearchParams();
  for (const key of ['from', 'to']) {
    const at = Date.parse(given.get(key) ?? '');
    if (!Number.isNaN(at)) out.set(key, new Date(at).toISOString());
  }
  return out.toString();
}

/** @param {string} key */
async function load(key) {
  report.key = key;
  const answer = await get(`report?${key}`);
  if (report.key !== key) return;
  Object.assign(report, { it: answer.done ? answer.body : null, error: answer.done ? '' : answer.status === 404 ? 'nothing has been recorded yet' : answer.message });
  ui.draw();
}

/** @param {any} p */
export function reportPage({ s }) {
  const key = asked();
  if (report.key !== key) load(key);
  const it = report.it;
  const title = report.error ? `No report: ${report.error}.` : !it ? 'Reading the history.' : it.runs === 0 ? 'Checkrail did not watch in this time.' : `${count(it.faults.length, 'fault')} and ${count(it.alarms.shown, 'alarm')} in ${span(it.watched_s * 1000)}.`;
  return html`<div class="page"><section class="headline l0"><div class="said"><p class="demo-mark">${s.demo ? html`<b>DEMO, nothing here is wired.</b> ` : nothing}${s.layout.name}</p><h1>${title}</h1><p>${it ? `${dateTime(it.from_us / 1000)} to ${dateTime(it.to_us / 1000)}, watched in ${count(it.runs, 'run')}.` : ''}</p></div>
    <div class="buttons"><button @click=${() => print()}>Print</button><a class="button act" data-out download href="/api/v1/report?${key}&as=html">Save as one page</a></div></section>
    <section class="panel hint">${choice()}</section>
    ${it ? html`${power(it)}<div class="two"><div>${faults(it)}${actions(it)}</div><div>${alarms(it)}${busiest(it)}${due(it)}</div></div>` : nothing}</div>`;
}

function choice() {
  const given = new URLSearchParams(location.search);
  const submit = (e) => {
    e.preventDefault();
    const form = new FormData(e.target);
    const out = new URLSearchParams([...form].filter(([, v]) => v).map(([k, v]) => [k, String(v)]));
    ui.go(`/report${out.size ? `?${out}` : ''}`);
  };
  return html`<form class="filters" @submit=${submit}><label>From<input type="datetime-local" name="from" .value=${given.get('from') ?? ''}></label><label>Until<input type="datetime-local" name="to" .value=${given.get('to') ?? ''}></label><button type="submit">Show</button>${given.size ? html`<a class="button" href="/report">Since the newest start</a>` : html`<span class="quiet">since the newest start of Checkrail, until now</span>`}</form>`;
}

/** @param {any} it */
function power(it) {
  if (!it.districts.length) return html`<section class="panel"><div class="head"><h2>Power</h2></div><p class="quiet pad">No state of power was recorded.</p></section>`;
  return html`<section class="panel" aria-labelledby="h-up"><div class="head"><h2 id="h-up">Power</h2><span class="quiet">filled is on, outlined is off, dashed is not known; a line is a fault</span></div><div class="pad">${timeline(it)}</div>
    <div class="scroll" tabindex="0" role="region" aria-label="Power by district"><table class="stack"><thead><tr><th scope="col">District</th><th scope="col" class="n">Uptime</th><th scope="col" class="n">On</th><th scope="col" class="n">Off</th><th scope="col" class="n">Not known</th><th scope="col" class="n">Times off</th><th scope="col" class="n">Faults</th></tr></thead>
    <tbody>${it.districts.map((d) => html`<tr><th scope="row">${d.district}</th><td data-label="Uptime" class="n">${d.uptime === null ? 'not known' : `${d.uptime.toFixed(2)} %`}</td><td data-label="On" class="n">${span(d.on_s * 1000)}</td><td data-label="Off" class="n">${span(d.off_s * 1000)}</td><td data-label="Not known" class="n">${span(d.unknown_s * 1000)}</td><td data-label="Times off" class="n">${d.cuts}</td><td data-label="Faults" class="n">${d.faults}</td></tr>`)}</tbody></table></div></section>`;
}

/** @param {any} it */
function timeline(it) {
  const [left, width] = [92, innerWidth < 600 ? 360 : 900];
  const x = (us) => left + ((us - it.from_us) / Math.max(1, it.to_us - it.from_us)) * (width - left - 6);
  const height = it.districts.length * 24 + 20;
  return html`<svg class="timeline" viewBox="0 0 ${width} ${height}" role="img" aria-label="Power of the districts over the time; the table tells the same">${it.districts.map((d, n) => svg`<text x="0" y=${n * 24 + 16}>${d.district}</text>
    ${d.stretches.map((t) => svg`<rect class=${t.state} x=${x(t.from_us)} y=${n * 24 + 5} width=${Math.max(0.8, x(t.to_us) - x(t.from_us))} height="13"></rect>`)}
    ${it.faults.filter((f) => f.district === d.district).map((f) => svg`<path class="at" d=${`M${x(f.trigger_us)} ${n * 24 + 1}v21`}></path>`)}`)}
    <text x=${left} y=${height - 3}>${clock(it.from_us / 1000)}</text><text x=${width - 6} y=${height - 3} text-anchor="end">${clock(it.to_us / 1000)}</text></svg>`;
}

/** @param {any} it */
const faults = (it) => html`<section class="panel" aria-labelledby="h-f"><div class="head"><h2 id="h-f">Faults</h2></div>${it.faults.length ? html`<div class="scroll" tabindex="0" role="region" aria-label="Faults of the session"><table class="rows stack"><thead><tr><th scope="col">Fault</th><th scope="col">When</th><th scope="col">District</th><th scope="col">What</th><th scope="col">First suspect</th></tr></thead>
  <tbody>${it.faults.map((f) => html`<tr><th scope="row"><a href="/faults/${f.fault}">${f.fault}</a></th><td data-label="When">${clock(f.trigger_us / 1000)}</td><td data-label="District">${f.district}</td><td data-label="What" class="wide">${f.text}</td><td data-label="First suspect" class="wide">${f.named ? `${f.named.replace('frog/', '')} (named)` : (f.suspect?.replace('frog/', '') ?? 'not known')}</td></tr>`)}</tbody></table></div>` : html`<p class="pad">None was recorded.</p>`}</section>`;

/** @param {any} it */
function alarms(it) {
  const a = it.alarms;
  const share = (n) => `${n} (${a.shown ? Math.round((n / a.shown) * 100) : 0} %)`;
  const unknown = 'not known: less than ten minutes';
  const rows = [
    ['Shown', `${a.shown}, and ${a.gathered} gathered under another`],
    ['Average in 10 min', a.per_ten_minutes === null ? unknown : `${a.per_ten_minutes.toFixed(2)}; about 1, at most 2`],
    ['Most in 10 min', `${a.most_in_ten_minutes}; at most 10`],
    ['In flood', a.in_flood === null ? unknown : `${a.in_flood.toFixed(1)} % of 10-minute periods; below 1 %`],
    ['Priority 1, 2, 3', `${a.by_priority.map(share).join(', ')}; about 5, 15, 80 %`],
    ['Chattering', a.chattering.join(', ') || 'none'],
    ['Stale, over 24 h', a.stale.join(', ') || 'none'],
    ...a.kinds.map((k) => [k.kind, `${k.count}, most about ${k.most}`]),
  ];
  return html`<section class="panel" aria-labelledby="h-a"><div class="head"><h2 id="h-a">Alarms</h2><span class="quiet">figure; target after ISA-18.2, from memory</span></div><dl class="facts">${rows.map(([k, v]) => html`<dt>${k}</dt><dd>${v}</dd>`)}</dl></section>`;
}

/** @param {any} it */
const busiest = (it) => html`<section class="panel" aria-labelledby="h-b"><div class="head"><h2 id="h-b">Busiest turnouts</h2></div>${it.busiest.length ? html`<dl class="facts">${it.busiest.map((b) => html`<dt>${b.machine.replace('machine/', '')}</dt><dd>${count(b.throws, 'throw')}</dd>`)}</dl>` : html`<p class="pad">No throw was recorded.</p>`}</section>`;
/** @param {any} it */
const due = (it) => html`<section class="panel" aria-labelledby="h-d"><div class="head"><h2 id="h-d">Machines due</h2><a href="/machines">all machines</a></div>${it.due.length ? html`<dl class="facts">${it.due.map((m) => html`<dt>${m.machine.replace('machine/', '')}</dt><dd>${m.verdict} <span class="quiet">${m.because}</span></dd>`)}</dl>` : html`<p class="pad">None, by the rules.</p>`}</section>`;
/** @param {any} it */
const actions = (it) => html`<section class="panel" aria-labelledby="h-o"><div class="head"><h2 id="h-o">What operators did</h2></div>${it.actions.length ? html`<dl class="facts">${it.actions.map((a) => html`<dt>${clock(Date.parse(a.at))} ${a.who}</dt><dd>${a.what}${a.refused ? html` <span class="quiet">refused: ${a.refused}</span>` : nothing}</dd>`)}</dl>` : html`<p class="pad">Nothing was asked for.</p>`}</section>`;
