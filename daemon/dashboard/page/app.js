// @ts-check
// The frame around every page: bar, strips, headline, tabs, keys. Renders when the store says so.
import { html, nothing, render } from './vendor/lit-html/lit-html.js';
import { loadSession, session, signOut } from './act.js';
import { Announcer } from './announce.js';
import { keysDialog, request, restoreDialog, signInDialog } from './dialogs.js';
import { headline } from './headline.js';
import { applyPrefs, prefs } from './prefs.js';
import { beat, sign } from './signs.js';
import { Sound } from './sound.js';
import { store } from './store.js';
import { clock, isOpen, span, trouble } from './words.js';
import { aboutPage, morePage } from './pages/about.js';
import { alarmsPage, sortAlarms } from './pages/alarms.js';
import { faultPage, faultsPage } from './pages/faults.js';
import { livePage } from './pages/live.js';
import { machinesPage } from './pages/machines.js';
import { reportPage } from './pages/report.js';
import { turnoutsPage } from './pages/turnouts.js';

/** Shortest time between drawings that are not urgent. Unit: ms. */
const CALM = 250;
const RESTARTED_SHOWN = 60_000;

/** Tabs: path, word, on the phone's bottom bar. @type {[string, string, boolean][]} */
const TABS = [['live', 'Live', true], ['alarms', 'Alarms', true], ['faults', 'Faults', true], ['turnouts', 'Turnouts', true], ['machines', 'Machines', false], ['about', 'About', false]];

const PAGES = { live: livePage, alarms: alarmsPage, faults: faultsPage, fault: faultPage, turnouts: turnoutsPage, machines: machinesPage, report: reportPage, about: aboutPage, more: morePage };

const sound = new Sound();
const announcer = new Announcer(element('alert'), element('polite'));

/** What the pages share beside the state. */
export const ui = {
  /** @type {number|null} */ chosen: null,
  /** @type {number|null} */ district: null,
  find: '',
  draw: () => draw(),
  go: (path) => go(path),
};

/** @param {string} id */
function element(id) {
  return /** @type {HTMLElement} */ (document.getElementById(id));
}

/** Where we are: `/faults/27` is the page `fault` with `27`. */
function place() {
  const [first = 'live', second] = location.pathname.split('/').filter(Boolean);
  const known = first in PAGES ? first : 'live';
  return known === 'faults' && second ? { page: 'fault', tab: 'faults', id: second } : { page: known, tab: known, id: second };
}

/** @param {string} path */
function go(path) {
  history.pushState(null, '', path);
  draw();
  element('main').focus({ preventScroll: true });
  scrollTo(0, 0);
}

function draw() {
  const at = place();
  document.title = `${title()} – Checkrail`;
  render(frame(at), element('app'));
}

function title() {
  const s = store.state;
  if (!s) return 'Waiting';
  const open = s.alarms.filter(isOpen).length;
  return `${open ? `(${open}) ` : ''}${s.layout.name}`;
}

/** @param {{page: string, tab: string, id?: string}} at */
function frame(at) {
  const s = store.state;
  const lost = store.isLost();
  const head = s ? { ...headline(s) } : null;
  return html`
    <header class="topbar">
      <strong class="brand">${s?.layout.name ?? 'Checkrail'}</strong>
      <nav class="tabs" aria-label="Pages">${TABS.map(([path, word]) => tab(path, word, at.tab))}</nav>
      <span class="age ${lost ? 'lost' : ''}">${s ? beat(store.beats, lost) : nothing}${age(s, lost)}</span>
      <span class="since">${s && Date.now() - store.startedAt > 60_000 ? `Session ${span(Date.now() - store.startedAt)}` : ''}</span>
      ${soundButton(s)}
      ${session.role === 'operator'
        ? html`<button class="who" @click=${leave} title="Sign out">${session.name}<span class="sr">, sign out</span></button>`
        : html`<button class="who" @click=${() => signInDialog()}>Sign in</button>`}
    </header>
    ${strips(s, lost)}
    <main id="main" tabindex="-1" class=${lost ? 'lost' : ''}>
      ${s ? PAGES[at.page]({ s, at, head, lost, top: top(head, s, lost) }) : waitingPage()}
    </main>
    <nav class="bottom" aria-label="Pages">
      ${TABS.filter((t) => t[2]).map(([path, word]) => tab(path, word, at.tab, s))}
      ${tab('more', 'More', ['machines', 'report', 'about', 'more'].includes(at.tab) ? 'more' : at.tab)}
    </nav>`;
}

/** Nothing has come yet: perhaps because reading needs a token here. */
function waitingPage() {
  const asked = session.read_token && session.role === 'none';
  return html`<div class="boot"><h1>${asked ? 'Reading needs a token here.' : 'Waiting for the supervisor.'}</h1><p>Trips work without this page.</p>
    ${asked ? html`<p class="buttons"><button class="act" @click=${() => signInDialog(() => store.open())}>Sign in</button></p>` : nothing}</div>`;
}

/** @param {string} path @param {string} word @param {string} now @param {any} [s] */
function tab(path, word, now, s) {
  const open = path === 'alarms' && s ? s.alarms.filter(isOpen).length : 0;
  return html`<a href="/${path}" aria-current=${path === now ? 'page' : 'false'}>${word}${open ? html` <b class="badge">${open}</b>` : nothing}</a>`;
}

/** @param {any} s @param {boolean} lost */
function age(s, lost) {
  if (!s) return 'No data yet';
  if (lost) return html`<b>No contact</b>`;
  return html`<b>Live</b> <span class="old">${(store.state.age / 1000).toFixed(1)} s old</span>`;
}

/** @param {any} s */
function soundButton(s) {
  if (s?.demo) return html`<button class="sound" disabled>Sound off</button>`;
  return html`<button class="sound" aria-pressed=${sound.on ? 'true' : 'false'} @click=${async () => { await sound.toggle(); draw(); }}>${sound.on ? 'Sound on' : 'Sound off'}<span class="sr">${sound.on ? '' : ', press to hear alarms'}</span></button>`;
}

async function leave() {
  await signOut();
  draw();
}

/** Strips of inverted ink: faults of the view, not of the layout. @param {any} s @param {boolean} lost */
function strips(s, lost) {
  if (!s) return nothing;
  const all = [];
  if (s.demo) all.push(html`<p class="strip">Demo layout. Nothing here is wired. Alarms are not sounded.</p>`);
  if (lost) all.push(html`<p class="strip"><strong>No contact with the supervisor since ${clock(store.lostSince ?? 0)}.</strong> Trips still work without this page. What you see is the last known state.</p>`);
  const silent = s.nodes.filter((n) => !n.up);
  if (silent.length && !lost) all.push(html`<p class="strip">Partly stale: ${silent.map((n) => `node ${n.name} silent${n.silent ? ` for ${span(n.silent * 1000)}` : ''}`).join(', ')}. ${s.nodes.length - silent.length} of ${s.nodes.length} nodes.</p>`);
  const blind = s.districts.filter((d) => !d.protected && d.power !== 'cut').map((d) => d.id);
  if (blind.length && !lost) all.push(html`<p class="strip">Not protected by Checkrail, no fresh current: ${blind.join(', ')}. Breakers and boosters still are.</p>`);
  const down = s.links.filter((l) => !l.up);
  if (down.length && !lost) all.push(html`<p class="strip">${down.map((l) => `Link ${l.name}: ${l.text}`).join('. ')}.</p>`);
  const again = store.restarted;
  if (again && Date.now() - again.at < RESTARTED_SHOWN && !lost) all.push(html`<p class="strip">Supervisor restarted ${clock(again.at)}, ${span(again.gap)} not recorded.</p>`);
  return all;
}

/** The sentence on top. @param {any} head @param {any} s @param {boolean} lost */
function top(head, s, lost) {
  const fault = head.fault;
  return html`<section class="headline l${head.level}" aria-label="State">
    ${sign(head.level, { size: 34 })}
    <div role="status"><h1>${lost ? 'Last known: ' : ''}${head.title}</h1><p>${head.detail}</p></div>
    <div class="buttons">
      ${fault === null ? nothing : html`<a class="button" href="/faults/${fault}">Open fault ${fault}</a>`}
      ${head.restore === null ? nothing : html`<button ?disabled=${lost} @click=${() => restoreDialog(head.restore)}>Restore ${s.districts[head.restore].id}…</button>`}
    </div></section>`;
}

/** Acknowledges the alarm that has focus, or the first one. */
function acknowledge() {
  const focused = document.activeElement?.closest('[data-alarm]')?.getAttribute('data-alarm');
  const open = sortAlarms(store.state.alarms).filter(isOpen);
  const a = open.find((it) => it.id === focused) ?? open[0];
  if (a) request('acknowledge', { alarm: a.alarm, subject: a.subject });
}

/** @param {number} way */
function exception(way) {
  const bad = store.state.turnouts.map((t, at) => ({ t, at })).filter(({ t }) => trouble(t)).map(({ at }) => at);
  if (bad.length === 0) return;
  const now = bad.indexOf(ui.chosen ?? -1);
  ui.chosen = bad[(now + way + bad.length) % bad.length];
  draw();
}

const SINGLE_KEYS = {
  a: acknowledge,
  s: () => sound.silence(),
  f: () => { if (place().page !== 'turnouts') go('/turnouts'); document.getElementById('find')?.focus(); },
  j: () => exception(1),
  k: () => exception(-1),
  '?': keysDialog,
};

document.addEventListener('keydown', (e) => {
  const target = /** @type {Element} */ (e.target);
  if (!prefs.keys || !store.state || e.ctrlKey || e.altKey || e.metaKey) return;
  if (target.closest('input, select, textarea, dialog')) return;
  const page = TABS[Number(e.key) - 1];
  if (page) go(`/${page[0]}`);
  else SINGLE_KEYS[e.key.toLowerCase()]?.();
  if (page || e.key.toLowerCase() in SINGLE_KEYS) e.preventDefault();
});

document.addEventListener('click', (e) => {
  const link = /** @type {Element} */ (e.target).closest('a[href^="/"]');
  if (!link || e.ctrlKey || e.metaKey || e.shiftKey || link.hasAttribute('data-out')) return;
  e.preventDefault();
  go(link.getAttribute('href') ?? '/');
});

document.addEventListener('choose', (e) => {
  ui.chosen = /** @type {CustomEvent} */ (e).detail;
  draw();
});
document.addEventListener('silence', () => sound.silence());
addEventListener('popstate', draw);

let drawnAt = 0;
let waiting = false;

store.listeners.add(({ urgent }) => {
  const s = store.state;
  if (s) {
    announcer.heed(s, store.isLost());
    sound.heed(s.alarms, store.isLost(), s.demo);
  }
  if (waiting || document.hidden || (!urgent && performance.now() - drawnAt < CALM)) return;
  waiting = true;
  requestAnimationFrame(() => {
    waiting = false;
    drawnAt = performance.now();
    draw();
    measured.push(performance.now() - drawnAt);
    if (measured.length > 600) measured.shift();
  });
});
setInterval(() => announcer.speak(), 1000);

/** Script time of the newest drawings, for the tests. @type {number[]} */
const measured = [];
Object.assign(globalThis, { checkrail: { store, measured } });

applyPrefs();
element('app').replaceChildren();
draw();
store.start();
loadSession().then(draw);

