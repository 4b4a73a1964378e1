// @ts-check
// Commission: what do I do next, and what does the meter say now? One step, four readings, one wide button. What to do
// comes from the supervisor, so that another device, or the terminal, can go on.
import { html, nothing } from '../vendor/lit-html/lit-html.js';
import { repeat } from '../vendor/lit-html/directives/repeat.js';
import { get, post, session } from '../act.js';
import { ui } from '../app.js';
import { open, refusal, signedIn } from '../dialogs.js';
import { restoreDialog } from '../restore.js';
import { sign } from '../signs.js';
import { store } from '../store.js';
import { clock, count, dateTime, thin } from '../words.js';

const STEPS = 7;
/** A sign of life, well within the ten minutes after which a session ends. Unit: ms. */
const STAY = 60_000;
const STATES = { proved: 'proved', rewired: 'wires changed since', due: 'due' };
const OUTCOMES = { passed: 'passed', failed: 'failed', skipped: 'skipped' };
const WORDS = { name: 'Machine', 'throw-normal': 'Throw to normal', 'throw-reverse': 'Throw to reverse', 'frog-both-positions': 'Frog in both positions', contact: 'Contact resistance', 'trip-test': 'Trip test', 'coin-test': 'Coin test', signed: 'Signature' };

/** What this page knows beside the stream. */
const known = {
  /** @type {any[]|null} */ machines: null,
  at: 0,
  open: -1,
  find: '',
  /** @type {any} */ answer: null,
  /** The request that was refused. @type {any} */ asked: null,
  busy: false,
  /** Machine and passed steps when last drawn. */ passed: '',
  stayed: 0,
};
/** @type {any} */ let lock = null;
/** @type {AudioContext|null} */ let audio = null;

async function load() {
  known.at = Date.now();
  const answer = await get('commission');
  if (answer.done) known.machines = answer.body.machines;
  ui.draw();
}

/** @param {string} machine @param {object} body */
async function send(machine, body) {
  if (known.busy) return;
  known.busy = true;
  const request = { machine, ...body };
  const answer = await post('commission', request);
  known.busy = false;
  known.answer = answer.done ? null : answer;
  known.asked = answer.done ? null : request;
  ui.draw();
}

/** @param {string} machine @param {object} body */
function ask(machine, body) {
  audio ??= new AudioContext();
  signedIn(() => send(machine, body));
}

/** @param {any} p */
export function commissionPage({ s, at, lost }) {
  const rows = s.sessions ?? [];
  if (Date.now() - known.at > 30_000 || known.open !== rows.length) {
    known.open = rows.length;
    load();
  }
  const machine = at.id && machines(s).find((m) => m.toLowerCase() === decodeURIComponent(at.id).toLowerCase());
  if (!at.id) return list(s, rows, lost);
  if (!machine) return html`<div class="page"><section class="headline l0"><div><h1>There is no machine ${at.id}.</h1></div></section><p><a class="button" href="/commission">All machines</a></p></div>`;
  const row = rows.find((r) => r.machine === machine);
  const mine = row && session.role === 'operator' && row.who === session.name;
  return mine ? step(s, row, lost) : begin(s, machine, row, lost);
}

/** Every machine, those with a session or due first. @param {any} s */
const machines = (s) => known.machines?.map((m) => m.machine) ?? [...new Set(s.turnouts.map((t) => t.machine))];

/** @param {any} s @param {any[]} rows @param {boolean} lost */
function list(s, rows, lost) {
  const all = known.machines ?? [];
  const proved = all.filter((m) => m.state === 'proved').length;
  const title = known.machines === null ? 'Reading what is proved.' : all.length === 0 ? 'No machine is wired yet.' : proved === all.length ? `All ${count(all.length, 'machine')} proved.` : `${proved} of ${count(all.length, 'machine')} proved.`;
  const order = { rewired: 0, due: 1, proved: 2 };
  const wanted = all.filter((m) => m.machine.toLowerCase().includes(known.find.trim().toLowerCase()));
  wanted.sort((a, b) => order[a.state] - order[b.state] || a.machine.localeCompare(b.machine, 'en', { numeric: true }));
  return html`<div class="page commission-list"><section class="headline l0"><div role="status"><h1>${lost ? 'Last known: ' : ''}${title}</h1><p>Proved until its part of the wiring model changes.</p></div></section>
    <label class="find">Find machine <input type="search" .value=${known.find} @input=${(e) => { known.find = e.target.value; ui.draw(); }}></label>
    ${all.length && !wanted.length ? html`<p class="panel empty">No machine of that name.</p>` : nothing}
    <ul class="machines">${wanted.map((m) => {
      const row = rows.find((r) => r.machine === m.machine);
      return html`<li><a class="button" href="/commission/${m.machine}"><b>${m.machine}</b><span>${row ? `in commissioning, ${row.who}` : proof(m)}</span></a></li>`;
    })}</ul></div>`;
}

/** @param {any} m */
const proof = (m) => (m.at ? `${STATES[m.state]}, ${dateTime(m.at).slice(0, 10)}, ${m.by}` : STATES[m.state]);

/** Before a session, or beside somebody else's. @param {any} s @param {string} machine @param {any} row @param {boolean} lost */
function begin(s, machine, row, lost) {
  release();
  const m = known.machines?.find((it) => it.machine === machine);
  const label = row ? `Go on in place of ${row.who}` : `Begin with ${machine}`;
  return html`<div class="page commission"><p class="where">${machine}</p>
    <h1>${row ? `${row.who} has it in commissioning` : `Commission ${machine}`}</h1>
    <section class="panel"><dl class="meters">
      <div><dt>Proved</dt><dd>${m ? STATES[m.state] : '…'}</dd></div>
      ${m?.at ? html`<div><dt>Signed</dt><dd>${dateTime(m.at).slice(0, 10)}, ${m.by}</dd></div>` : nothing}
      ${row ? html`<div><dt>Step</dt><dd>${row.number} of ${STEPS}</dd></div>` : nothing}</dl></section>
    ${refusal(known.answer)}
    <button class="act wide64" ?disabled=${lost} @click=${() => ask(machine, { do: 'begin' })}>${label}</button>
    <a class="button wide64" href="/wiring/${machine}">Wiring sheet of ${machine}</a>
    <a class="button wide64" href="/commission">Back</a>
    <ul class="quiet notes64"><li>You need: a lamp or resistor in series with a supply, about 1 A; a meter.</li><li>Keep trains out of its block: a throw under a train is refused.</li><li>Checkrail does not replace a breaker, fuse or current-limited supply.</li></ul></div>`;
}

/** @param {any} s @param {any} row @param {boolean} lost */
function step(s, row, lost) {
  heed(s, row);
  const at = s.turnouts.find((t) => t.machine === row.machine)?.district;
  const off = at !== undefined && s.districts[at].power === 'cut';
  return html`<div class="page commission"><p class="where">${row.machine}, step ${row.number} of ${STEPS}</p>
    <h1 role="status">${row.heading}</h1>
    <section class="panel" aria-label="Readings"><dl class="meters ${lost ? 'old' : ''}">${row.readings.map(([what, value]) => html`<div><dt>${what}</dt><dd>${value}</dd></div>`)}</dl>
      <p class="verdict ${row.mood}" role="status">${row.mood === 'bad' ? sign(2, { size: 30 }) : nothing}<span>${thin(row.verdict)}</span></p></section>
    ${refusal(known.answer)}
    ${known.answer?.code === 'occupied' && off ? html`<button class="wide64" ?disabled=${lost} @click=${() => ask(row.machine, { ...known.asked, machine: undefined, confirm: true })}>No wheel on the points: throw</button>` : nothing}
    ${off ? html`<button class="wide64 ${row.step === 'signed' ? '' : 'act'}" ?disabled=${lost} @click=${() => restoreDialog(at)}>Restore ${s.districts[at].id}…</button>` : nothing}
    ${repeat(row.offers, (o) => `${row.step} ${o.do} ${o.with}`, (o, nth) => offer(row, o, lost, nth === 0 && (!off || row.step === 'signed')))}
    ${row.step === 'name' ? html`<a class="button wide64" href="/commission">Back</a>` : nothing}
    ${row.note ? html`<p class="quiet notes64">${row.note}</p>` : nothing}
    ${awake()}
    ${row.results.length ? html`<section class="panel" aria-label="Results"><ol class="results">${row.results.map((r) => html`<li><b>${WORDS[r.step] ?? r.step}</b> <span class="boxed">${OUTCOMES[r.outcome]}</span><br><span class="quiet">${thin(r.detail)}</span></li>`)}</ol></section>` : nothing}
    <p class="quiet notes64">Begun ${clock(row.since)} by ${row.who}. Its alarms are out of service meanwhile. Ten minutes without this page end it; results stay.</p></div>`;
}

/** @param {any} row @param {any} o @param {boolean} lost @param {boolean} main */
function offer(row, o, lost, main) {
  return html`<button class="wide64 ${main ? 'act' : ''}" data-do=${o.with ? `${o.do}-${o.with}` : o.do} ?disabled=${lost} @click=${() => press(row.machine, o)}>${o.label}${o.ask === 'nothing' ? '' : '…'}</button>`;
}

/** @param {string} machine @param {any} o */
function press(machine, o) {
  const body = o.with ? { do: o.do, with: o.with } : { do: o.do };
  if (o.ask === 'nothing') ask(machine, body);
  else signedIn(() => ASK[o.ask](machine, body, o.label));
}

/** Asks for something in a dialog, then sends it. @param {string} title @param {string} machine @param {object} body @param {any} fields @param {(form: FormData) => object} read */
function form(title, machine, body, fields, read) {
  const submit = (e, close) => {
    e.preventDefault();
    const more = read(new FormData(e.target));
    close();
    ask(machine, { ...body, ...more });
  };
  open(title, (_, close) => html`<form @submit=${(e) => submit(e, close)}>${fields}
    <div class="buttons"><button type="button" @click=${close}>Cancel</button><button class="act" type="submit">Go on</button></div></form>`);
}

const number = (form, name) => (String(form.get(name) ?? '').trim() === '' ? undefined : Math.round(Number(form.get(name))));

const ASK = {
  sure: (machine, body, label) => form(`${label}?`, machine, body, html`<p>Every train in the district stops. A cut is not isolation: before working under the table, unplug the booster.</p>`, () => ({})),
  reason: (machine, body, label) => form(label, machine, body, html`<label>Because<input name="reason" maxlength="200" required autocomplete="off"></label>`, (f) => ({ reason: String(f.get('reason')) })),
  initials: (machine, body) => form(`Sign off ${machine}`, machine, body, html`<p>You stand for what was measured and seen.</p><label>Initials<input name="initials" maxlength="12" required autocomplete="off" .value=${session.name ?? ''}></label>`, (f) => ({ initials: String(f.get('initials')) })),
  meter: (machine, body, label) => form(label, machine, body, html`<label>Across the contact, millivolts<input name="millivolts" inputmode="numeric" pattern="[0-9]+" required autocomplete="off"></label><label>Current, milliamperes (empty: as measured)<input name="milliamps" inputmode="numeric" pattern="[0-9]*" autocomplete="off"></label>`, (f) => ({ millivolts: number(f, 'millivolts'), milliamps: number(f, 'milliamps') })),
  place: async (machine, body, label) => {
    const answer = await get(`commission/${machine}/coins`);
    if (!answer.done) {
      known.answer = answer;
      ui.draw();
      return;
    }
    const places = answer.body.places;
    form(label, machine, body, html`<p>Plain rail only. Predicted current beside each place.</p><label>Place<select name="place" required>${places.map((p) => html`<option value=${p.at}>${p.at}: ${p.amps.toFixed(2)} A, ${p.passes ? `the ${p.trips} acts` : 'forecast to fail'}</option>`)}</select></label>`, (f) => ({ place: String(f.get('place')) }));
  },
};

/** A step that passes is felt and heard; the daemon is told that somebody is here; the screen stays on. @param {any} s @param {any} row */
function heed(s, row) {
  const passed = `${row.machine} ${row.results.filter((r) => r.outcome === 'passed').map((r) => r.step).join()}`;
  if (known.passed.startsWith(`${row.machine} `) && passed.length > known.passed.length) cheer(s.demo);
  if (known.passed !== passed) known.answer = null;
  known.passed = passed;
  if (Date.now() - known.stayed > STAY && !document.hidden) {
    known.stayed = Date.now();
    post('commission', { machine: row.machine, do: 'stay' });
  }
  if (!lock && isSecureContext && 'wakeLock' in navigator && !document.hidden) {
    lock = 'asked';
    navigator.wakeLock.request('screen').then(
      (it) => { lock = it; it.addEventListener('release', () => { lock = null; }); },
      () => { lock = 'refused'; ui.draw(); },
    );
  }
}

function release() {
  if (typeof lock === 'object') lock?.release?.();
  lock = null;
}

/** A short vibration and one beep. @param {boolean} demo */
function cheer(demo) {
  navigator.vibrate?.(80);
  if (!audio || demo) return;
  const at = audio.currentTime + 0.02;
  const gain = audio.createGain();
  const tone = audio.createOscillator();
  gain.gain.setValueAtTime(0.12, at);
  gain.gain.linearRampToValueAtTime(0, at + 0.15);
  tone.frequency.value = 880;
  tone.connect(gain);
  gain.connect(audio.destination);
  tone.start(at);
  tone.stop(at + 0.15);
}

/** The screen can be kept on in a secure context only, and the page does not pretend. */
const awake = () => (isSecureContext && 'wakeLock' in navigator && lock !== 'refused' ? nothing : html`<p class="notes64"><b>Set your phone to stay on.</b> <span class="quiet">Over plain http this page cannot keep the screen awake.</span></p>`);

store.listeners.add(() => {
  if (!location.pathname.startsWith('/commission')) release();
});
