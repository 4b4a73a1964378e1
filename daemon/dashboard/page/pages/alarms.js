// @ts-check
// Alarms: what has to be answered now, and what came first.
import { html, nothing } from '../vendor/lit-html/lit-html.js';
import { repeat } from '../vendor/lit-html/directives/repeat.js';
import { ui } from '../app.js';
import { request, shelveDialog } from '../dialogs.js';
import { sign } from '../signs.js';
import { alarmState, clock, count, isActive, isAside, isOpen, level, span, thin } from '../words.js';

const FLOOD = 10;
/** An order is held so long after the last touch: focus that was left in a list must not hold it for ever. Unit: ms. */
const HELD = 30_000;

/** Unacknowledged first, then first-out, priority, newest. @param {any[]} alarms */
export function sortAlarms(alarms) {
  const rank = (a) => [isOpen(a) ? 0 : 1, a.first_out ? 0 : 1, level(a.priority), -a.raised];
  return [...alarms].sort((a, b) => {
    const [x, y] = [rank(a), rank(b)];
    const at = x.findIndex((v, n) => v !== y[n]);
    return at < 0 ? 0 : x[at] - y[at];
  });
}

/** Order while a pointer is down or focus is in the list: a button under a finger does not move. @type {string[]|null} */
let frozen = null;
let pointer = false;
let touchedAt = 0;
for (const kind of ['pointerdown', 'pointerup', 'keydown']) addEventListener(kind, () => { touchedAt = Date.now(); }, true);
addEventListener('pointerdown', (e) => { pointer = Boolean(/** @type {Element} */ (e.target).closest?.('.alarms')); });
for (const kind of ['pointerup', 'pointercancel']) addEventListener(kind, () => { pointer = false; });

/** Alarms whose advice is shown. @type {Set<string>} */
const opened = new Set();

/** @param {any[]} alarms */
function ordered(alarms) {
  const sorted = sortAlarms(alarms);
  const held = pointer || (Date.now() - touchedAt < HELD && Boolean(document.activeElement?.closest('.alarms li')));
  if (!held) frozen = null;
  else frozen ??= sorted.map((a) => a.id);
  if (!frozen) return sorted;
  const place = (a) => { const at = frozen.indexOf(a.id); return at < 0 ? frozen.length : at; };
  return sorted.sort((a, b) => place(a) - place(b));
}

/** @param {any} a @param {any} s @param {boolean} lost */
function row(a, s, lost) {
  const l = level(a.priority);
  const open = isOpen(a);
  const first = s.alarms.find((it) => it.first_out && it.district !== null && it.district === a.district);
  const fault = a.district === null ? null : s.districts[a.district]?.fault;
  const key = { alarm: a.alarm, subject: a.subject };
  const told = opened.has(a.id);
  return html`<li data-alarm=${a.id} class="alarm p${l} ${open ? 'open' : ''}">
    ${sign(l, { flash: a.state === 'unacknowledged', hollow: a.state === 'out-of-service' })}
    <div class="said"><p class="text"><strong>${thin(a.text)}</strong>${a.first_out ? html` <span class="boxed">first-out</span>` : nothing}</p>
      <p class="quiet">${alarmState(a, first, s.t)}</p>
      ${gathered(s, a)}
      ${told ? html`<div class="todo"><p>${a.action || 'See the live page.'}</p><p class="quiet">${a.alarm}, ${a.subject}</p>
        ${isAside(a) ? nothing : html`<button class="small" ?disabled=${lost} @click=${() => request('out-of-service', key)}>Take out of service</button>`}</div>` : nothing}</div>
    <div class="buttons">
      ${open ? html`<button class="act" ?disabled=${lost} @click=${() => request('acknowledge', key)}>Acknowledge</button>` : nothing}
      ${a.state === 'latched-acknowledged' ? html`<button ?disabled=${lost} @click=${() => request('reset', key)}>Reset</button>` : nothing}
      ${a.first_out && !open && !isAside(a) ? html`<button ?disabled=${lost} @click=${() => request('reset-first-out', key)}>Reset first-out</button>` : nothing}
      ${a.state === 'shelved' ? html`<button ?disabled=${lost} @click=${() => request('unshelve', key)}>Unshelve</button>` : nothing}
      ${a.state === 'out-of-service' ? html`<button ?disabled=${lost} @click=${() => request('in-service', key)}>Return to service</button>` : nothing}
      ${fault !== null && fault !== undefined && l === 1 && !isAside(a) ? html`<a class="button" href="/faults/${fault}">Open fault ${fault}</a>` : nothing}
      ${isActive(a) ? html`<button ?disabled=${lost} @click=${() => shelveDialog(a)}>Shelve…</button>` : nothing}
      <button aria-expanded=${told ? 'true' : 'false'} @click=${() => { if (!opened.delete(a.id)) opened.add(a.id); ui.draw(); }}>What to do</button>
    </div></li>`;
}

/** What this alarm explains: listed inside it, not beside it. @param {any} s @param {any} a */
function gathered(s, a) {
  const under = s.alarms.filter((it) => it.under === a.id);
  if (under.length === 0) return nothing;
  return html`<details class="under"><summary>${count(under.length, 'alarm')} that it explains</summary><ul>${under.map((it) => html`<li>${sign(level(it.priority), { size: 16 })} ${thin(it.text)} <span class="quiet">${alarmState(it, a, s.t)}</span></li>`)}</ul></details>`;
}

/** The list, without its page. @param {any} s @param {boolean} lost @param {any[]} alarms */
export const alarmList = (s, lost, alarms) => html`<ul class="alarms">${repeat(ordered(alarms), (a) => a.id, (a) => row(a, s, lost))}</ul>`;

/** One line when there are more than anybody can read. @param {any} s */
export function floodLine(s) {
  if (s.recent <= FLOOD) return nothing;
  const first = [...s.alarms].sort((a, b) => a.raised - b.raised).find((a) => a.first_out);
  return html`<p class="flood"><strong>Alarm flood, ${s.recent} in 10\u202fmin.</strong>${first ? ` First-out: ${thin(first.text)}.` : ''}</p>`;
}

/** What is shelved is counted, with the time left. @param {any} s @param {any[]} aside */
function shelved(s, aside) {
  if (aside.length === 0) return '';
  const next = Math.min(...aside.map((a) => a.shelved_until ?? Infinity));
  const left = Number.isFinite(next) ? `, ${span(Math.max(0, next - s.t))} left` : '';
  return `${aside.length} shelved${aside.length === 1 ? `: ${aside[0].text}` : ''}${left}. `;
}

const silence = () => document.dispatchEvent(new CustomEvent('silence'));

/** @param {any} s */
const silenceButton = (s) => html`<button class="silence" @click=${silence}>${s.silent > s.t ? `Silent until ${clock(s.silent)}` : 'Silence'}</button>`;

/** The panel on the live page: at most `most` alarms. @param {any} s @param {boolean} lost @param {number} most */
export function alarmPanel(s, lost, most) {
  const here = s.alarms.filter((a) => !isAside(a) && !a.under);
  const open = here.filter(isOpen).length;
  const aside = s.alarms.filter((a) => a.state === 'shelved');
  const shown = ordered(here).slice(0, most);
  return html`<section class="panel a-alarms" aria-labelledby="h-alarms">
    <div class="head"><h2 id="h-alarms">Alarms</h2><span class="quiet">${here.length === 0 ? 'none' : open ? `${open} unacknowledged` : 'all acknowledged'}</span>${silenceButton(s)}</div>
    ${floodLine(s)}${alarmList(s, lost, shown)}
    <p class="foot quiet"><a href="/alarms">${here.length > most ? `${here.length - most} more` : 'All alarms'}</a><span>${shelved(s, aside)}${s.recent} in 10\u202fmin</span></p></section>`;
}

/** @param {any} p */
export function alarmsPage({ s, lost }) {
  const here = s.alarms.filter((a) => !isAside(a) && !(a.under && s.alarms.some((it) => it.id === a.under)));
  const aside = s.alarms.filter(isAside);
  const open = here.filter(isOpen);
  const gentle = open.filter((a) => level(a.priority) > 1);
  const title = open.length ? `${count(open.length, 'alarm')} to acknowledge.` : here.length ? 'All alarms are acknowledged.' : 'No alarms.';
  const acknowledgeShown = () => gentle.forEach((a) => request('acknowledge', { alarm: a.alarm, subject: a.subject }));
  return html`<div class="page"><section class="headline l0"><div class="said"><div role="status"><h1>${lost ? 'Last known: ' : ''}${title}</h1></div><p>${s.recent} raised in the last 10 min${aside.length ? `, ${aside.length} put aside` : ''}.</p></div>
    <div class="buttons">${silenceButton(s)}${gentle.length > 1 ? html`<button ?disabled=${lost} @click=${acknowledgeShown}>Acknowledge all shown but priority 1</button>` : nothing}</div></section>
    ${floodLine(s)}
    ${here.length ? html`<section class="panel" aria-label="Alarms">${alarmList(s, lost, here)}</section>` : nothing}
    ${aside.length ? html`<section class="panel" aria-labelledby="h-aside"><div class="head"><h2 id="h-aside">Put aside</h2></div>${alarmList(s, lost, aside)}</section>` : nothing}</div>`;
}
