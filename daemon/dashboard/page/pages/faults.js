// @ts-check
// Faults: what shorted, what was cut, what did it cost?
import { html, nothing } from '../vendor/lit-html/lit-html.js';
import { get } from '../act.js';
import { ui } from '../app.js';
import { request } from '../dialogs.js';
import { cursorWords, edges, order, oscillogram, shortName } from '../osc.js';
import { bullet } from '../signs.js';
import { capital, clockMs, count, dateTime, percent } from '../words.js';

/** @type {{key: string, list: any[]|null, error: string}} */
const book = { key: '', list: null, error: '' };
/** @type {{number: string, fault: any, error: string, range: [number, number]|null, a: number|null, b: number|null, moving: 'a'|'b', tries: number}} */
const open = { number: '', fault: null, error: '', range: null, a: null, b: null, moving: 'a', tries: 0 };

/** The list is read again when a district's fault number changes. @param {any} s */
async function loadList(s) {
  const key = `${s.epoch}:${s.districts.map((d) => d.fault).join()}`;
  if (book.key === key) return;
  book.key = key;
  const answer = await get('faults?limit=200');
  if (answer.done) book.list = answer.body.faults;
  book.error = answer.done ? '' : answer.message;
  ui.draw();
}

/** @param {any} p */
export function faultsPage({ s, lost }) {
  loadList(s);
  const list = book.list ?? [];
  const title = book.error ? `The faults cannot be read: ${book.error}.` : book.list === null ? 'Reading the faults.' : list.length === 0 ? 'No fault has been recorded.' : `${count(list.length, 'fault')} recorded.`;
  return html`<div class="page"><section class="headline l0"><div role="status"><h1>${lost ? 'Last known: ' : ''}${title}</h1><p>${list.length ? `The newest was in ${list[0].district}, ${dateTime(Date.parse(list[0].trigger))}.` : 'A record keeps two seconds before and three seconds after.'}</p></div></section>
    ${list.length ? html`<section class="panel"><div class="scroll" tabindex="0" role="region" aria-label="Faults"><table class="rows"><caption class="sr">Faults, newest first</caption>
      <thead><tr><th scope="col">Fault</th><th scope="col">When</th><th scope="col">District</th><th scope="col">What</th><th scope="col">First suspect</th><th scope="col" class="n">Peak</th><th scope="col" class="n">Gone after</th></tr></thead>
      <tbody>${list.map(line)}</tbody></table></div></section>` : nothing}</div>`;
}

/** @param {any} f */
function line(f) {
  const suspect = f.named ?? f.suspect;
  const share = f.named ? 'named' : f.share === null ? '' : percent(Math.round(f.share * 100));
  return html`<tr><th scope="row"><a href="/faults/${f.fault}">Fault ${f.fault}</a></th><td>${dateTime(Date.parse(f.trigger))}</td><td>${f.district}</td><td>${f.text}${f.complete ? '' : html` <span class="boxed">not complete</span>`}</td><td>${suspect ? html`${suspect.replace('frog/', '')} <span class="quiet">${share}</span>` : '–'}</td><td class="n">${f.peak === null ? '–' : `${f.peak.toFixed(2)} A`}</td><td class="n">${f.cleared_ms === null ? 'not seen' : `${f.cleared_ms.toFixed(1)} ms`}</td></tr>`;
}

/** @param {string} number */
async function loadFault(number) {
  Object.assign(open, { number, fault: null, error: '', range: null, a: null, b: null });
  await readFault(number);
}

/** @param {string} number */
async function readFault(number) {
  const answer = await get(`faults/${encodeURIComponent(number)}`);
  if (open.number !== number) return;
  if (answer.done) open.fault = answer.body;
  open.error = answer.done ? '' : answer.message;
  ui.draw();
  // The record is whole when its window has closed, three seconds after the trigger.
  const young = answer.status === 404 || (answer.done && !answer.body.complete);
  open.tries = young ? open.tries + 1 : 0;
  if (young && open.tries < 10) setTimeout(() => open.number === number && readFault(number), 1500);
}

/** @param {any} p */
export function faultPage({ s, at }) {
  if (open.number !== at.id) loadFault(at.id);
  const f = open.fault;
  if (!f) return html`<div class="page"><section class="headline l0"><div role="status"><h1>Fault ${at.id}</h1><p>${open.error ? `${capital(open.error)}.` : 'Reading the record.'}</p></div><div class="buttons"><a class="button" href="/faults">All faults</a></div></section></div>`;
  const list = book.list ?? [];
  loadList(s);
  const here = list.findIndex((it) => it.fault === f.fault);
  return html`<div class="page fault"><section class="headline l0"><div role="status"><h1>${sentence(f)}</h1><p>${facts(f, s)}</p></div>
    <div class="buttons">${here >= 0 && list[here + 1] ? html`<a class="button" href="/faults/${list[here + 1].fault}">Previous</a>` : nothing}${here > 0 ? html`<a class="button" href="/faults/${list[here - 1].fault}">Next</a>` : nothing}<button class="act" @click=${() => print()}>Print report</button></div></section>
    <div class="fault-grid">${suspects(f)}${waveform(f, s)}${events(f)}<div class="side">${cuts(f, s)}${stress(f)}${advice(f)}</div></div></div>`;
}

/** @param {any} f */
function sentence(f) {
  const first = f.suspects[0];
  if (first && first.share >= 0.5 && first.subject !== 'not-explained') return `${capital(f.text.split(',')[0])}: most likely ${first.text}.`;
  return `${capital(f.text)}.`;
}

/** @param {any} f @param {any} s */
function facts(f, s) {
  const when = Date.parse(f.trigger);
  const cleared = f.cleared_ms === null ? 'The current was not seen to go' : `Gone after ${f.cleared_ms.toFixed(1)} ms`;
  const cutDistricts = new Set(f.cuts.map((c) => c.feed));
  const stayed = s.districts.filter((d) => d.id !== f.district && !cutDistricts.has(`district/${d.id}`)).length;
  const others = f.cuts.some((c) => c.feed.startsWith('booster/')) ? 'Its booster was cut too.' : stayed ? `The other ${count(stayed, 'district')} stayed on.` : '';
  return `Fault ${f.fault}, ${f.district}, ${dateTime(when)}${clockMs(when).slice(8)}. ${cleared}. ${others}${f.complete ? '' : ' The record is not complete yet.'}`;
}

/** @param {any} f */
function suspects(f) {
  const named = f.suspects.filter((it) => it.subject !== 'not-explained');
  const rest = f.suspects.find((it) => it.subject === 'not-explained');
  return html`<section class="panel a-suspects" aria-labelledby="h-sus"><div class="head"><h2 id="h-sus">Suspects</h2><span class="quiet">share of evidence</span></div>
    ${named.length ? html`<ol class="suspects">${named.map((it) => {
      const share = Math.round(it.share * 100);
      const at = f.suspects.indexOf(it);
      return html`<li><div class="head"><b>${capital(it.text)}</b><b>${percent(share)}</b></div>${bullet({ fill: share * 1.2, width: 300, label: percent(share) })}
        <ul class="reasons">${it.reasons.map((r) => html`<li><b aria-label=${r.ratio >= 1 ? 'for' : 'against'}>${r.ratio >= 1 ? '+' : '−'}</b> ${r.text}</li>`)}</ul>
        ${f.named === it.subject ? html`<p class="boxed">named by a person</p>` : html`<button class="small" @click=${() => request('culprit', { fault: f.fault, suspect: at })}>It was this</button>`}</li>`;
    })}</ol>` : html`<p class="quiet pad">Nobody is suspected: the record holds too little.</p>`}
    ${f.inseparable ? html`<p class="pad">${f.inseparable}</p>` : nothing}
    ${rest ? html`<p class="foot quiet">${percent(Math.round(rest.share * 100))} not explained</p>` : nothing}</section>`;
}

const VIEWS = [['60 ms', -30, 60], ['300 ms', -100, 200], ['1 s', -300, 700], ['all', null, null]];

/** @param {any} f @param {any} s */
function waveform(f, s) {
  const waves = f.waveforms ?? [];
  if (waves.length === 0) return html`<section class="panel a-wave"><div class="head"><h2>Waveform</h2></div><p class="quiet pad">${f.samples === 'pruned' ? 'Its samples were removed to bound the size of the history; everything else is kept.' : 'No samples are kept of this fault.'}</p></section>`;
  const all = [Math.min(...waves.map((w) => w.ms[0] ?? 0)), f.closed_ms];
  const range = open.range ?? [Math.max(all[0], -100), Math.min(all[1], 200)];
  const district = s.districts.find((d) => d.id === f.district);
  const opens = f.cuts.filter((c) => c.proved_ms !== null).map((c) => ({ ms: c.proved_ms, text: `off proved +${c.proved_ms.toFixed(1)} ms` }));
  const cleared = f.cleared_ms === null ? null : -f.onset_ms + f.cleared_ms;
  const width = Math.max(320, Math.min(900, (document.querySelector('.a-wave')?.clientWidth ?? 700) - 26));
  const current = order(waves).analog[0];
  return html`<section class="panel a-wave" aria-labelledby="h-wave"><div class="head"><h2 id="h-wave">Waveform</h2><span class="quiet">${current ? `current of ${shortName(current.channel).split(' ')[0]}, ${rate(current)}` : 'no current was measured'}</span>
      <div class="buttons small" role="group" aria-label="Time shown">${VIEWS.map(([word, from, to]) => html`<button aria-pressed=${open.range && open.range[0] === (from ?? all[0]) ? 'true' : 'false'} @click=${() => { open.range = [from ?? all[0], to ?? all[1]]; ui.draw(); }}>${word}</button>`)}</div></div>
    <div class="wave" tabindex="0" role="group" aria-label="Waveform cursors" @click=${(e) => place(e, range, width)} @keydown=${(e) => moveCursor(e, current, range)}>
      ${oscillogram({ waves, width, range, onset: -f.onset_ms, cleared, trip: district ? district.trip_ma / 1000 : null, a: open.a, b: open.b, opens })}</div>
    <div class="pad">${cursorWords(waves, open.a, open.b)}</div></section>`;
}

/** @param {any} w */
function rate(w) {
  const near = w.ms.length;
  const seconds = ((w.ms.at(-1) ?? 0) - (w.ms[0] ?? 0)) / 1000;
  return seconds > 0 ? `about ${Math.round(near / seconds)} samples/s` : count(near, 'sample');
}

/** @param {MouseEvent} e @param {[number, number]} range @param {number} width */
function place(e, range, width) {
  const box = /** @type {Element} */ (e.currentTarget).querySelector('svg').getBoundingClientRect();
  const px = ((e.clientX - box.left) / box.width) * width;
  const ms = range[0] + ((px - edges.LEFT) / (width - edges.LEFT - edges.RIGHT)) * (range[1] - range[0]);
  if (ms < range[0] || ms > range[1]) return;
  open[open.moving] = ms;
  open.moving = open.moving === 'a' ? 'b' : 'a';
  ui.draw();
}

/** @param {KeyboardEvent} e @param {any} w @param {[number, number]} range */
function moveCursor(e, w, range) {
  if (e.key === 'b' || e.key === 'B') open.moving = open.moving === 'a' ? 'b' : 'a';
  const way = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
  if (!way && e.key.toLowerCase() !== 'b') return;
  e.preventDefault();
  e.stopPropagation();
  if (way && w) {
    const times = w.ms.filter((ms) => ms >= range[0] && ms <= range[1]);
    const now = open[open.moving] ?? 0;
    const at = times.findIndex((ms) => ms >= now);
    const next = Math.max(0, Math.min(times.length - 1, (at < 0 ? times.length - 1 : at) + way * (e.shiftKey ? 10 : 1)));
    open[open.moving] = times[next] ?? now;
  }
  ui.draw();
}

/** @param {any} f */
function events(f) {
  const when = Date.parse(f.trigger);
  return html`<section class="panel a-events" aria-labelledby="h-ev"><div class="head"><h2 id="h-ev">Sequence of events</h2><span class="quiet">clock of Checkrail</span></div>
    <div class="scroll" tabindex="0" role="region" aria-label="Sequence of events"><table class="events"><thead><tr><th scope="col">Time</th><th scope="col" class="n">From trigger, ms</th><th scope="col">Event</th></tr></thead>
    <tbody>${f.events.map((e) => html`<tr class=${e.kind === 'order' ? 'raised' : ''}><td>${clockMs(when + e.ms)}</td><td class="n">${e.ms > 0 ? '+' : ''}${e.ms.toFixed(1).replace('-', '−')}</td><td>${e.text}${e.first_out ? html` <span class="boxed">first-out</span>` : nothing}</td></tr>`)}</tbody></table></div></section>`;
}

/** @param {any} f @param {any} s */
function cuts(f, s) {
  const district = s.districts.find((d) => d.id === f.district);
  const frogs = s.turnouts.filter((t) => s.districts[t.district].id === f.district).map((t) => t.id);
  return html`<section class="panel" aria-labelledby="h-cut"><div class="head"><h2 id="h-cut">What was cut</h2></div>
    ${f.cuts.length ? html`<div class="single-line" aria-hidden="true"><span class="booster">${district ? s.boosters[district.booster].id : 'booster'}</span><i class="wire"></i><span class="breaker open"></span><i class="wire cut"></i>${(district?.blocks ?? []).map((k) => html`<i class="block off">${s.blocks[k].id}</i>`)}</div>` : nothing}
    <dl class="facts">${f.cuts.length ? f.cuts.map((c) => html`<dt>${c.feed.replace('/', ' ')}</dt><dd>${c.cause}, ordered ${c.ordered_ms >= 0 ? '+' : '−'}${Math.abs(c.ordered_ms).toFixed(1)} ms${c.attempts > 1 ? `, ${c.attempts} times` : ''}<br>${c.proved_ms === null ? html`<b class="p1t">never proved</b>` : `proved +${c.proved_ms.toFixed(1)} ms, ${c.proof ?? ''} proof`}</dd>`) : html`<dt>Nothing</dt><dd>no order was given</dd>`}
      ${frogs.length && f.cuts.length ? html`<dt>Frogs off</dt><dd>${frogs.length > 3 ? `${frogs[0]} to ${frogs.at(-1)}, ${frogs.length}` : frogs.join(', ')}</dd>` : nothing}</dl></section>`;
}

/** @param {any} f */
function stress(f) {
  const worn = f.contacts.filter((c) => c.hits || c.energy > 0);
  return html`<section class="panel" aria-labelledby="h-stress"><div class="head"><h2 id="h-stress">Contact stress used</h2><span class="quiet">computed</span></div>
    ${worn.length ? html`<dl class="facts">${worn.map((c) => html`<dt>${c.pole.replace('pole/', '')}</dt><dd class="with-bar">${bullet({ fill: c.after, tick: c.before, limit: 100, label: `heat ${percent(Math.round(c.after))}` })}<b>${percent(Math.round(c.after))}</b>
      <span class="quiet">${c.amps.toFixed(2)} A, ${c.energy.toFixed(2)} A²s, ${count(c.hits, 'hit')}${c.estimated ? ', estimated' : ''}${c.melting ? ', above the melting voltage of silver' : c.softening ? ', above the softening voltage of silver' : ''}</span></dd>`)}</dl>` : html`<p class="quiet pad">No contact carried the fault current, as far as it can be told.</p>`}</section>`;
}

/** @param {any} f */
const advice = (f) => (f.advice.length ? html`<section class="panel" aria-labelledby="h-do"><div class="head"><h2 id="h-do">What to do</h2></div><ol class="advice">${f.advice.map((it) => html`<li>${capital(it)}</li>`)}</ol></section>` : nothing);
