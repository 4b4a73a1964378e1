// @ts-check
// Faults: what shorted, what was cut, what did it cost?
import { html, nothing } from '../vendor/lit-html/lit-html.js';
import { get } from '../act.js';
import { ui } from '../app.js';
import { request } from '../dialogs.js';
import { cursorWords, edges, mini, order, oscillogram, shortName, tries } from '../osc.js';
import { bullet } from '../signs.js';
import { capital, clockMs, count, dateTime, percent } from '../words.js';

/** @type {{key: string, list: any[]|null, error: string}} */
const book = { key: '', list: null, error: '' };
/** @type {{number: string, fault: any, error: string, range: [number, number]|null, a: number|null, b: number|null, moving: 'a'|'b', tries: number, drag: {x: number, from: number, to: number|null}|null}} */
const open = { number: '', fault: null, error: '', range: null, a: null, b: null, moving: 'a', tries: 0, drag: null };
/** The shortest time that can be shown. Unit: ms. */
const NARROWEST = 4;

/** What the list is narrowed to: by the address, so that a narrowed list can be kept. */
const KEYS = ['district', 'cause', 'suspect', 'from', 'to'];
const narrowed = () => new URLSearchParams([...new URLSearchParams(location.search)].filter(([k, v]) => v && KEYS.includes(k)));

/** The list is read again when a district's fault number changes. @param {any} s */
async function loadList(s) {
  const asked = location.pathname === '/faults' ? narrowed().toString() : '';
  const key = `${s.epoch}:${s.districts.map((d) => d.fault).join()}:${asked}`;
  if (book.key === key) return;
  book.key = key;
  const answer = await get(`faults?limit=200&${asked}`);
  if (book.key !== key) return;
  if (answer.done) book.list = answer.body.faults;
  book.error = answer.done ? '' : answer.message;
  ui.draw();
}

/** @param {any} p */
export function faultsPage({ s, lost }) {
  loadList(s);
  const list = book.list ?? [];
  const only = narrowed();
  const some = only.size ? ' of what is asked for' : '';
  const title = book.error ? `The faults cannot be read: ${book.error}.` : book.list === null ? 'Reading the faults.' : list.length === 0 ? `No fault${some} has been recorded.` : `${count(list.length, 'fault')}${some} recorded.`;
  return html`<div class="page"><section class="headline l0"><div class="said"><div role="status"><h1>${lost ? 'Last known: ' : ''}${title}</h1></div><p>${list.length ? `The newest was in ${list[0].district}, ${dateTime(Date.parse(list[0].trigger))}.` : 'A record keeps two seconds before and three seconds after.'}</p></div><div class="buttons"><a class="button" href="/report">Session report</a></div></section>
    <section class="panel">${filters(s, list, only)}
    ${list.length ? html`<div class="scroll" tabindex="0" role="region" aria-label="Faults"><table class="rows stack"><caption class="sr">Faults, newest first</caption>
      <thead><tr><th scope="col">Fault</th><th scope="col">When</th><th scope="col">District</th><th scope="col">What</th><th scope="col">First suspect</th><th scope="col" class="n">Peak</th><th scope="col" class="n">Gone after</th></tr></thead>
      <tbody>${list.map(line)}</tbody></table></div>` : nothing}</section></div>`;
}

/** Causes and suspects that were ever in the list. */
const known = { cause: new Set(), suspect: new Set() };

/** @param {any} s @param {any[]} list @param {URLSearchParams} only */
function filters(s, list, only) {
  for (const f of list) {
    known.cause.add(f.cause);
    for (const it of [f.named, f.suspect]) if (it) known.suspect.add(it);
  }
  const set = (key, value) => {
    if (value) only.set(key, value);
    else only.delete(key);
    ui.go(`/faults${only.size ? `?${only}` : ''}`);
  };
  const pick = (key, word, all) => html`<label>${word}<select @change=${(e) => set(key, e.target.value)}><option value="" ?selected=${!only.get(key)}>all</option>${[...new Set([...all, ...[only.get(key)].filter(Boolean)])].sort().map((it) => html`<option value=${it} ?selected=${only.get(key) === it}>${it.replace('frog/', '')}</option>`)}</select></label>`;
  const day = (key, word) => html`<label>${word}<input type="date" .value=${only.get(key) ?? ''} @change=${(e) => set(key, e.target.value)}></label>`;
  return html`<form class="filters" role="search" aria-label="Narrow the list" @submit=${(e) => e.preventDefault()}>
    ${pick('district', 'District', s.districts.map((d) => d.id))}${pick('cause', 'Cause', known.cause)}${pick('suspect', 'Suspect', known.suspect)}${day('from', 'From')}${day('to', 'Before')}
    ${only.size ? html`<a class="button" href="/faults">Show all</a>` : nothing}</form>`;
}

/** @param {any} f */
function line(f) {
  const suspect = f.named ?? f.suspect;
  const share = f.named ? 'named' : f.share === null ? '' : percent(Math.round(f.share * 100));
  return html`<tr><th scope="row"><a href="/faults/${f.fault}">Fault ${f.fault}</a></th><td data-label="When">${dateTime(Date.parse(f.trigger))}</td><td data-label="District">${f.district}</td><td data-label="What" class="wide">${f.text}${f.complete ? '' : html` <span class="boxed">not complete</span>`}</td><td data-label="First suspect">${suspect ? html`${suspect.replace('frog/', '')} <span class="quiet">${share}</span>` : '–'}</td><td data-label="Peak" class="n">${f.peak === null ? '–' : `${f.peak.toFixed(2)} A`}</td><td data-label="Gone after" class="n">${f.cleared_ms === null ? 'not seen' : `${f.cleared_ms.toFixed(1)} ms`}</td></tr>`;
}

/** @param {string} number */
async function loadFault(number) {
  Object.assign(open, { number, fault: null, error: '', range: null, a: null, b: null });
  Object.assign(others, { of: '', list: null });
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

/** Reads it again, once the history had time to write. @param {number} number */
const again = (number) => setTimeout(() => open.number === String(number) && readFault(open.number), 400);

/** @param {any} p */
export function faultPage({ s, at, lost }) {
  if (open.number !== at.id) loadFault(at.id);
  const f = open.fault;
  if (!f) return html`<div class="page"><section class="headline l0"><div class="said"><div role="status"><h1>Fault ${at.id}</h1></div><p>${open.error ? `${capital(open.error)}.` : 'Reading the record.'}</p></div><div class="buttons"><a class="button" href="/faults">All faults</a></div></section></div>`;
  const list = book.list ?? [];
  loadList(s);
  const here = list.findIndex((it) => it.fault === f.fault);
  return html`<div class="page fault"><section class="headline l0"><div class="said"><p class="demo-mark">${s.demo ? html`<b>DEMO, nothing here is wired.</b> ` : nothing}${s.layout.name}</p><h1>${sentence(f)}</h1><p>${facts(f, s)}</p></div>
    <div class="buttons">${here >= 0 && list[here + 1] ? html`<a class="button" href="/faults/${list[here + 1].fault}">Previous</a>` : nothing}${here > 0 ? html`<a class="button" href="/faults/${list[here - 1].fault}">Next</a>` : nothing}<button class="act" @click=${() => print()}>Print report</button></div></section>
    <div class="fault-grid"><div class="who">${suspects(f)}${advice(f)}</div>${waveform(f, s)}${events(f)}<div class="side">${cuts(f, s)}${stress(f)}${files(f)}</div>${compare(f)}${notes(f, lost)}</div></div>`;
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
  const beside = f.beside ?? [];
  const cutDistricts = new Set([...f.cuts.map((c) => c.feed), ...beside.map((it) => `district/${it.district}`)]);
  const stayed = s.districts.filter((d) => d.id !== f.district && !cutDistricts.has(`district/${d.id}`)).length;
  const others = f.cuts.some((c) => c.feed.startsWith('booster/')) ? 'Its booster was cut too.' : stayed ? `The other ${count(stayed, 'district')} stayed on.` : '';
  const along = beside.map((it) => `${capital(it.district)} ${it.after_ms < 0 ? 'had gone' : 'followed'} ${Math.abs(it.after_ms).toFixed(0)} ms ${it.after_ms < 0 ? 'before' : 'later'} by the same fault: ${it.text.split(',')[0]}. `).join('');
  return `Fault ${f.fault}, ${f.district}, ${dateTime(when)}${clockMs(when).slice(8)}. ${cleared}. ${along}${others}${f.complete ? '' : ' The record is not complete yet.'}`;
}

/** @param {any} f */
function suspects(f) {
  const accused = f.suspects.filter((it) => it.subject !== 'not-explained');
  const named = accused.filter((it) => it.share >= 0.01 || f.named === it.subject);
  const few = accused.length - named.length;
  const rest = f.suspects.find((it) => it.subject === 'not-explained');
  return html`<section class="panel a-suspects" aria-labelledby="h-sus"><div class="head"><h2 id="h-sus">Suspects</h2><span class="quiet">share of evidence</span></div>
    ${named.length ? html`<ol class="suspects">${named.map((it) => {
      const share = Math.round(it.share * 100);
      const at = f.suspects.indexOf(it);
      return html`<li><div class="head"><b>${capital(it.text)}</b><b>${percent(share)}</b></div>${bullet({ fill: share * 1.2, width: 300, label: percent(share) })}
        <ul class="reasons">${it.reasons.map((r) => html`<li><b aria-label=${r.ratio >= 1 ? 'for' : 'against'}>${r.ratio >= 1 ? '+' : '−'}</b> ${r.text}</li>`)}</ul>
        ${f.named === it.subject ? html`<p class="boxed">named ${f.naming ? `by ${f.naming.who}, ${dateTime(Date.parse(f.naming.at))}` : 'by a person'}</p>` : html`<button class="small" @click=${() => request('culprit', { fault: f.fault, suspect: at }, () => again(f.fault))}>It was this</button>`}</li>`;
    })}</ol>` : html`<p class="quiet pad">Nobody is suspected: the record holds too little.</p>`}
    ${f.inseparable ? html`<p class="pad">${f.inseparable}</p>` : nothing}
    <p class="foot quiet">${rest ? `${percent(Math.round(rest.share * 100))} not explained` : ''}${few ? html` <span>${count(few, 'other')} below ${percent(1)}</span>` : nothing}</p></section>`;
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
  const cleared = f.cleared_ms === null ? null : f.onset_ms + f.cleared_ms;
  const width = Math.max(320, Math.min(900, (document.querySelector('.a-wave')?.clientWidth ?? 700) - 26));
  const current = order(waves).analog[0];
  return html`<section class="panel a-wave" aria-labelledby="h-wave"><div class="head"><h2 id="h-wave">Waveform</h2><span class="quiet">${current ? `current of ${shortName(current.channel).split(' ')[0]}, ${rate(current)}` : 'no current was measured'}</span>
      <div class="buttons small" role="group" aria-label="Time shown">${VIEWS.map(([word, from, to]) => html`<button aria-pressed=${open.range && open.range[0] === (from ?? all[0]) && open.range[1] === (to ?? all[1]) ? 'true' : 'false'} @click=${() => { open.range = [from ?? all[0], to ?? all[1]]; ui.draw(); }}>${word}</button>`)}${zoomButtons(range, all)}</div></div>
    <div class="wave" tabindex="0" role="group" aria-label="Waveform cursors" @pointerdown=${(e) => begin(e, range, width)} @pointermove=${(e) => drag(e, range, width)} @pointerup=${(e) => finish(e, range, width)} @pointercancel=${() => { open.drag = null; ui.draw(); }} @keydown=${(e) => moveCursor(e, current, range)}>
      ${oscillogram({ waves, width, range, onset: f.onset_ms, cleared, trip: district ? district.trip_ma / 1000 : null, a: open.a, b: open.b, opens, drag: open.drag })}</div>
    <div class="pad">${cursorWords(waves, open.a, open.b)}</div>${triesOf(f, current, all)}</section>`;
}

/** A step of this size counts as fault current: the default of `short-step`. Unit: A. */
const FAULT_STEP = 1.5;
const SHOWN = 8;

/** Each time that fault current flowed in this record, on one scale: a repeating fault is a repeating shape. @param {any} f @param {any} wave @param {number[]} all */
function triesOf(f, wave, all) {
  if (!wave || wave.unit !== 'A') return nothing;
  const found = tries(wave, f.onset_ms, Math.min(FAULT_STEP, (f.peak ?? 0) / 2));
  if (found.length === 0) return nothing;
  const high = Math.max(...found.map((it) => it.peak)) * 1.05;
  const long = Math.max(40, ...found.map((it) => it.to - it.from)) * 1.4;
  const name = (n) => (n === 0 ? 'First' : `Again, ${n + 1} of ${found.length}`);
  const words = (it) => `${(it.to - it.from).toFixed(0)} ms, ${it.energy.toFixed(2)} A²s let through, peak ${it.peak.toFixed(2)} A`;
  return html`<div class="tries-of"><div class="head"><h3>${found.length === 1 ? 'Fault current flowed once' : `Fault current flowed ${found.length} times`}</h3><span class="quiet">all on one scale to ${high.toFixed(1)} A, ${long.toFixed(0)} ms</span></div>
    <div class="compare">${found.slice(0, SHOWN).map((it, n) => {
      const range = /** @type {[number, number]} */ ([it.from - long * 0.2, it.from + long * 0.8]);
      const show = () => { open.range = [Math.max(all[0], range[0]), Math.min(all[1], range[1])]; ui.draw(); };
      return html`<div>${mini({ wave, range, high, onset: it.from, cleared: it.to, label: `Current: ${name(n)}, ${words(it)}` })}
        <p class="small"><b>${name(n)}</b> <span class="quiet">${it.from >= 0 ? '+' : '−'}${Math.abs(it.from).toFixed(0)} ms</span><br>${words(it)} <button class="small" aria-label="Show ${name(n)} in the waveform" @click=${show}>Show</button></p></div>`;
    })}</div>${found.length > SHOWN ? html`<p class="foot quiet">${count(found.length - SHOWN, 'more time')} in the exports.</p>` : nothing}</div>`;
}

/** Closer, wider, earlier, later, and what lies between the cursors. @param {[number, number]} range @param {number[]} all */
function zoomButtons(range, all) {
  const [from, to] = range;
  const span = to - from;
  const middle = open.a !== null && open.a >= from && open.a <= to ? open.a : (from + to) / 2;
  const show = (a, b) => {
    const wide = Math.max(NARROWEST, Math.min(b - a, all[1] - all[0]));
    const start = Math.max(all[0], Math.min(a, all[1] - wide));
    open.range = [start, start + wide];
    ui.draw();
  };
  const between = open.a !== null && open.b !== null && Math.abs(open.b - open.a) > 1;
  return html`<button aria-label="Closer" @click=${() => show(middle - span / 4, middle + span / 4)}>+</button><button aria-label="Wider" @click=${() => show(middle - span, middle + span)}>−</button><button aria-label="Earlier" @click=${() => show(from - span / 2, to - span / 2)}>‹</button><button aria-label="Later" @click=${() => show(from + span / 2, to + span / 2)}>›</button>
    <button aria-label="Reset the zoom" ?disabled=${open.range === null} @click=${() => { open.range = null; ui.draw(); }}>Reset</button>${between ? html`<button @click=${() => show(Math.min(open.a, open.b) - 2, Math.max(open.a, open.b) + 2)}>A to B</button>` : nothing}`;
}

/** @param {any} w */
function rate(w) {
  const near = w.ms.length;
  const seconds = ((w.ms.at(-1) ?? 0) - (w.ms[0] ?? 0)) / 1000;
  return seconds > 0 ? `about ${Math.round(near / seconds)} samples/s` : count(near, 'sample');
}

/** The time under a pointer. @param {MouseEvent} e @param {[number, number]} range @param {number} width */
function timeAt(e, range, width) {
  const box = /** @type {Element} */ (e.currentTarget).querySelector('svg').getBoundingClientRect();
  const px = ((e.clientX - box.left) / box.width) * width;
  return range[0] + ((px - edges.LEFT) / (width - edges.LEFT - edges.RIGHT)) * (range[1] - range[0]);
}

/** A drag of fewer pixels is a click. */
const DRAG_LEAST = 6;

/** A mouse or pen begins to mark a span; a finger scrolls. @param {PointerEvent} e @param {[number, number]} range @param {number} width */
function begin(e, range, width) {
  if (e.button !== 0) return;
  open.drag = { x: e.clientX, from: timeAt(e, range, width), to: null };
}

/** @param {PointerEvent} e @param {[number, number]} range @param {number} width */
function drag(e, range, width) {
  if (!open.drag || e.pointerType === 'touch' || Math.abs(e.clientX - open.drag.x) < DRAG_LEAST) return;
  const held = /** @type {Element} */ (e.currentTarget);
  if (open.drag.to === null && !held.hasPointerCapture(e.pointerId)) held.setPointerCapture(e.pointerId);
  open.drag.to = Math.max(range[0], Math.min(range[1], timeAt(e, range, width)));
  ui.draw();
}

/** A marked span is shown; a click sets a cursor. @param {PointerEvent} e @param {[number, number]} range @param {number} width */
function finish(e, range, width) {
  const marked = open.drag;
  open.drag = null;
  if (!marked) return;
  if (marked.to === null) return place(e, range, width);
  const [from, to] = [Math.max(range[0], Math.min(marked.from, marked.to)), Math.max(marked.from, marked.to)];
  if (to - from >= NARROWEST) open.range = [from, to];
  ui.draw();
}

/** @param {MouseEvent} e @param {[number, number]} range @param {number} width */
function place(e, range, width) {
  const ms = timeAt(e, range, width);
  if (ms < range[0] || ms > range[1]) return;
  open[open.moving] = ms;
  open.moving = open.moving === 'a' ? 'b' : 'a';
  ui.draw();
}

/** @param {KeyboardEvent} e @param {any} w @param {[number, number]} range */
function moveCursor(e, w, range) {
  const zoom = { '+': ['Closer'], '=': ['Closer'], '-': ['Wider'], 0: ['Reset the zoom'] }[e.key];
  if (zoom) {
    e.preventDefault();
    e.stopPropagation();
    /** @type {HTMLButtonElement|null} */ (document.querySelector(`.a-wave button[aria-label="${zoom[0]}"]`))?.click();
    return;
  }
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
  // Values that only follow from the events are left to the exports.
  const told = f.events.filter((e) => e.kind !== 'state');
  const left = f.events.length - told.length;
  return html`<section class="panel a-events" aria-labelledby="h-ev"><div class="head"><h2 id="h-ev">Sequence of events</h2><span class="quiet">clock of Checkrail</span></div>
    <div class="scroll" tabindex="0" role="region" aria-label="Sequence of events"><table class="events stack"><thead><tr><th scope="col">Time</th><th scope="col" class="n">From trigger, ms</th><th scope="col">Event</th></tr></thead>
    <tbody>${told.map((e) => html`<tr class=${e.kind === 'order' ? 'raised' : ''}><td>${clockMs(when + e.ms)}</td><td class="n">${e.ms > 0 ? '+' : ''}${e.ms.toFixed(1).replace('-', '−')}</td><td class="wide">${e.text.replace(/ A2s\b/, ' A²s')}${e.first_out ? html` <span class="boxed">first-out</span>` : nothing}</td></tr>`)}</tbody></table></div>${left ? html`<p class="foot quiet">${count(left, 'value')} that follow from these are in the exports.</p>` : nothing}</section>`;
}

/** @param {any} f @param {any} s */
function cuts(f, s) {
  const district = s.districts.find((d) => d.id === f.district);
  const frogs = s.turnouts.filter((t) => s.districts[t.district].id === f.district).map((t) => t.id);
  return html`<section class="panel" aria-labelledby="h-cut"><div class="head"><h2 id="h-cut">What was cut</h2></div>
    ${f.cuts.length ? html`<div class="single-line" aria-hidden="true"><span class="booster">${district ? s.boosters[district.booster].id : 'booster'}</span><i class="wire"></i><span class="breaker open"></span><i class="wire cut"></i>${(district?.blocks ?? []).map((k) => html`<i class="block off">${s.blocks[k].id}</i>`)}</div>` : nothing}
    <dl class="facts">${f.cuts.length ? f.cuts.map((c) => html`<dt>${c.feed.replace('/', ' ')}</dt><dd>${c.cause.replaceAll('-', ' ')}, ordered ${c.ordered_ms >= 0 ? '+' : '−'}${Math.abs(c.ordered_ms).toFixed(1)} ms${c.attempts > 1 ? `, ${c.attempts} times` : ''}<br>${c.proved_ms === null ? html`<b class="p1t">never proved</b>` : `proved +${c.proved_ms.toFixed(1)} ms, ${c.proof ?? ''} proof`}</dd>`) : html`<dt>Nothing</dt><dd>no order was given</dd>`}
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
const advice = (f) => (f.advice.length ? html`<section class="panel a-do" aria-labelledby="h-do"><div class="head"><h2 id="h-do">What to do</h2></div><ol class="advice">${f.advice.map((it) => html`<li>${capital(it)}</li>`)}</ol></section>` : nothing);

/** @param {any} f */
function files(f) {
  const to = (as) => `/api/v1/faults/${f.fault}/export?as=${as}`;
  const link = (as, word) => html`<a data-out download href=${to(as)}>${word}</a>`;
  return html`<section class="panel files-panel hint" aria-labelledby="h-files"><div class="head"><h2 id="h-files">Save as</h2><span class="quiet">COMTRADE is IEEE C37.111-2013: take both files</span></div>
    <div class="files">${link('json', 'JSON')}${link('csv', 'CSV')}${link('text', 'Text')}${link('cfg', 'COMTRADE .cfg')}${link('dat', 'COMTRADE .dat')}${link('cfg-binary', 'binary .cfg')}${link('dat-binary', 'binary .dat')}</div></section>`;
}

/** Earlier faults of the same suspect. @type {{of: string, list: any[]|null}} */
const others = { of: '', list: null };
const COMPARED = 5;

/** @param {any} f @param {string} suspect */
async function loadOthers(f, suspect) {
  const key = `${f.fault} ${suspect}`;
  if (others.of === key) return;
  Object.assign(others, { of: key, list: null });
  const answer = await get(`faults?limit=${COMPARED}&before=${f.fault}&suspect=${encodeURIComponent(suspect)}`);
  const found = await Promise.all((answer.body?.faults ?? []).map((it) => get(`faults/${it.fault}`)));
  if (others.of !== key) return;
  others.list = found.filter((it) => it.done).map((it) => it.body);
  ui.draw();
}

/** This fault and the earlier ones of its suspect, on one scale of time and current. @param {any} f */
function compare(f) {
  const suspect = f.named ?? f.suspect;
  if (!suspect || !f.complete) return nothing;
  loadOthers(f, suspect);
  const name = f.suspects.find((it) => it.subject === suspect)?.text ?? suspect;
  if (!others.list?.length) {
    return html`<section class="panel a-compare" aria-labelledby="h-cmp"><div class="head"><h2 id="h-cmp">Earlier faults of the same suspect</h2></div><p class="quiet pad">${others.list ? `None is recorded before this one that points to ${name}.` : 'Reading.'}</p></section>`;
  }
  const all = [f, ...others.list].map((it) => ({ it, wave: (it.waveforms ?? []).find((w) => w.channel === `district/${it.district}/current`) ?? null }));
  const high = Math.max(0.1, ...all.map(({ it }) => it.peak ?? 0)) * 1.05;
  return html`<section class="panel a-compare" aria-labelledby="h-cmp"><div class="head"><h2 id="h-cmp">Earlier faults of the same suspect</h2><span class="quiet">${name}; current from −100 to +200 ms, all on one scale to ${high.toFixed(1)} A</span></div>
    <div class="compare">${all.map(({ it, wave }) => html`<div>${mini({ wave, range: [-100, 200], high, onset: it.onset_ms, cleared: it.cleared_ms === null ? null : it.onset_ms + it.cleared_ms, label: `Current of fault ${it.fault}` })}
      <p class="small">${it === f ? html`<b>This fault</b>` : html`<a href="/faults/${it.fault}">Fault ${it.fault}</a>`} <span class="quiet">${dateTime(Date.parse(it.trigger))}, ${it.district}</span><br>${it.peak === null ? 'peak not measured' : `${it.peak.toFixed(2)} A`}, ${it.cleared_ms === null ? 'not seen to go' : `gone after ${it.cleared_ms.toFixed(1)} ms`}${wave ? '' : ', no samples kept'}</p></div>`)}</div></section>`;
}

/** @param {any} f @param {boolean} lost */
function notes(f, lost) {
  const submit = (e) => {
    e.preventDefault();
    const text = String(new FormData(e.target).get('text') ?? '').trim();
    const form = e.target;
    if (text) request(`faults/${f.fault}/note`, { text }, () => { form.reset(); again(f.fault); });
  };
  const list = f.notes ?? [];
  return html`<section class="panel a-notes ${list.length ? '' : 'hint'}" aria-labelledby="h-notes"><div class="head"><h2 id="h-notes">Notes</h2><span class="quiet">kept with your name and the time, never changed</span></div>
    ${list.length ? html`<ul class="notes">${list.map((n) => html`<li><b>${n.who}</b> <span class="quiet">${dateTime(Date.parse(n.at))}</span><p>${n.text}</p></li>`)}</ul>` : nothing}
    <form class="notes-form" @submit=${submit}><label for="note">What was found, what was done</label><textarea id="note" name="text" maxlength="4000"></textarea><div class="buttons"><button class="act" type="submit" ?disabled=${lost}>Add the note</button></div></form></section>`;
}
