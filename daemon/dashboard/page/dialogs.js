// @ts-check
// Dialogs: signing in, shelving, cutting, help. Native `dialog`, so that focus and Esc behave.
import { html, nothing, render } from './vendor/lit-html/lit-html.js';
import { post, session, signIn } from './act.js';
import { prefer, prefs } from './prefs.js';
import { store } from './store.js';
import { capital, level, thin } from './words.js';

const host = () => /** @type {HTMLElement} */ (document.getElementById('dialogs'));

/** Opens a dialog; `body` is rendered again by `again`. @param {string} title @param {(again: () => void, close: () => void) => any} body */
export function open(title, body) {
  const dialog = document.createElement('dialog');
  dialog.setAttribute('aria-label', title);
  host().append(dialog);
  const close = () => dialog.close();
  const again = () => render(html`<h2>${title}</h2>${body(again, close)}`, dialog);
  const follow = () => again();
  store.listeners.add(follow);
  dialog.addEventListener('close', () => {
    store.listeners.delete(follow);
    dialog.remove();
  });
  again();
  dialog.showModal();
  return dialog;
}

/** Why it was not done. @param {any} answer */
export const refusal = (answer) => (answer && !answer.done ? html`<p class="refusal" role="alert"><strong>${capital(answer.message)}.</strong> ${answer.remedy ? `${capital(answer.remedy)}.` : ''}</p>` : nothing);

/** Signs in, then goes on. @param {() => void} [then] */
export function signInDialog(then) {
  let answer = null;
  const submit = async (e, again, close) => {
    e.preventDefault();
    const form = new FormData(e.target);
    const name = String(form.get('name') ?? '');
    answer = await signIn(String(form.get('token') ?? '').trim(), name);
    if (!answer.done) return again();
    prefer({ name });
    close();
    store.tell({ urgent: true, message: false });
    return then?.();
  };
  open('Sign in to act', (again, close) => html`
    <form @submit=${(e) => submit(e, again, close)}>
      <p>${session.read_token ? 'Looking needs the read token, acting the operator token.' : 'Looking needs no sign-in. Acting does: the operator token is printed when Checkrail starts.'}</p>
      <label>Your name or initials<input name="name" autocomplete="nickname" maxlength="40" .value=${prefs.name} required></label>
      <label>${session.read_token ? 'Token' : 'Operator token'}<input name="token" type="password" autocomplete="current-password" required></label>
      ${refusal(answer)}
      <div class="buttons"><button type="button" @click=${close}>Not now</button><button class="act" type="submit">Sign in</button></div>
    </form>`);
}

/** Runs `what` as a signed-in operator. @param {() => void} what */
export function signedIn(what) {
  if (session.role === 'operator') what();
  else signInDialog(what);
}

/** Asks; where it is refused, says why. @param {string} path @param {object} body @param {() => void} [then] when it is done */
export function request(path, body, then) {
  signedIn(async () => {
    const answer = await post(path, body);
    if (answer.status === 401) signInDialog(() => request(path, body, then));
    else if (!answer.done) told(answer);
    else then?.();
  });
}

/** @param {any} answer */
function told(answer) {
  open('Not done', (_, close) => html`${refusal(answer)}<div class="buttons"><button class="act" @click=${close}>Close</button></div>`);
}

const REASONS = ['known and being worked on', 'sensor is faulty', 'not used this session', 'waiting for a part'];

/** @param {any} a */
export function shelveDialog(a) {
  const spans = level(a.priority) === 1 ? [5, 15] : [5, 15, 60];
  const submit = (e, close) => {
    e.preventDefault();
    const form = new FormData(e.target);
    close();
    const minutes = Number(form.get('minutes'));
    request('shelve', { alarm: a.alarm, subject: a.subject, ...(minutes ? { minutes } : { session: true }), reason: String(form.get('reason')) });
  };
  open('Shelve this alarm', (_, close) => html`
    <form @submit=${(e) => submit(e, close)}>
      <p>${thin(a.text)}</p>
      <p>A shelved alarm is silent and comes back by itself. Nothing is shelved for ever: a session ends when Checkrail stops, or after 12\u202fh.</p>
      <label>For<select name="minutes">${spans.map((m) => html`<option value=${m}>${m}\u202fmin</option>`)}${level(a.priority) === 1 ? nothing : html`<option value="0">until the session ends</option>`}</select></label>
      <label>Because<select name="reason">${REASONS.map((r) => html`<option>${r}</option>`)}</select></label>
      <div class="buttons"><button type="button" @click=${close}>Cancel</button><button class="act" type="submit">Shelve</button></div>
    </form>`);
}

/** @param {number} at a district */
export function cutDialog(at) {
  const d = store.state.districts[at];
  open(`Cut ${d.id}?`, (_, close) => html`
    <p>Every train in ${d.id} stops. Stored energy may carry some on for seconds.</p>
    <p class="quiet">A cut is not isolation: before working under the table, unplug the booster.</p>
    <div class="buttons"><button @click=${close}>Cancel</button><button class="act" @click=${() => { close(); request('cut', { district: d.id }); }}>Cut ${d.id}</button></div>`);
}

export function leaveDemoDialog() {
  open('Leave the demo', (_, close) => html`
    <p>The demo has a layout of its own; it was never saved over yours.</p>
    <ol><li>In the terminal where it runs, press Ctrl-C.</li><li>Write your layout file; <code>config/</code> has one to start from.</li><li>Start <code>checkrail run LAYOUT</code> and open this page again.</li></ol>
    <div class="buttons"><button class="act" @click=${close}>Close</button></div>`);
}

const KEYS = [['1 – 6', 'pages'], ['A', 'acknowledge the focused or the first alarm'], ['S', 'silence sound for 2 min'], ['F', 'find a turnout'], ['J, K', 'next, previous turnout that needs attention'], ['?', 'this list'], ['Esc', 'close']];

export function keysDialog() {
  open('Keys', (_, close) => html`<dl class="keys">${KEYS.map(([k, t]) => html`<dt><kbd>${k}</kbd></dt><dd>${t}</dd>`)}</dl><div class="buttons"><button class="act" @click=${close}>Close</button></div>`);
}
