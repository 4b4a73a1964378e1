// @ts-check
// The frame around every page: bar, strips, headline, tabs, keys. Renders when the store says so.
import { html, nothing, render } from './vendor/lit-html/lit-html.js';
import { loadSession, post, session, signOut } from './act.js';
import { Announcer } from './announce.js';
import { signInDialog } from './dialogs.js';
import { headline } from './headline.js';
import { newest, todo } from './todo.js';
import { listen } from './keys.js';
import { applyPrefs, prefer, prefs } from './prefs.js';
import { restoreDialog } from './restore.js';
import { beat, sign } from './signs.js';
import { sound } from './sound.js';
import { store } from './store.js';
import { strips } from './strips.js';
import { capital, isOpen, span } from './words.js';
import { alarmsPage } from './pages/alarms.js';
import { livePage } from './pages/live.js';
import { turnoutsPage } from './pages/turnouts.js';

/** Shortest time between drawings that are not urgent. Unit: ms. */
const CALM = 250;
/** A wall screen that nobody touches goes back to the live page after this long. Unit: ms. */
const IDLE = 30_000;

/** Tabs: path, word, on the phone's bottom bar. The first six have the keys 1 to 6. @type {[string, string, boolean][]} */
const TABS = [
  ['live', 'Live', true],
  ['alarms', 'Alarms', true],
  ['faults', 'Faults', true],
  ['turnouts', 'Turnouts', false],
  ['commission', 'Commission', true],
  ['wiring', 'Wiring', false],
  ['machines', 'Machines', false],
];
/** Pages that are reached through More. */
const MORE = ['report', 'setup', 'about', 'more'];

/** Pages that are there at once; the others are fetched when they are first opened, so that a first visit stays small.
 * @type {Record<string, (p: any) => any>} */
const PAGES = { live: livePage, alarms: alarmsPage, turnouts: turnoutsPage };
/** @type {Record<string, () => Promise<any>>} */
const LATER = {
  faults: () => import('./pages/faults.js').then((it) => it.faultsPage),
  fault: () => import('./pages/faults.js').then((it) => it.faultPage),
  commission: () => import('./pages/commission.js').then((it) => it.commissionPage),
  wiring: () => import('./pages/wiring.js').then((it) => it.wiringPage),
  machines: () => import('./pages/machines.js').then((it) => it.machinesPage),
  report: () => import('./pages/report.js').then((it) => it.reportPage),
  setup: () => import('./pages/setup.js').then((it) => it.setupPage),
  about: () => import('./pages/about.js').then((it) => it.aboutPage),
  more: () => import('./pages/about.js').then((it) => it.morePage),
};
/** Pages on their way. @type {Set<string>} */
const coming = new Set();

/** The page by its name, or what stands there until it has come. @param {string} name */
function pageOf(name) {
  if (PAGES[name]) return PAGES[name];
  if (!coming.has(name)) {
    coming.add(name);
    LATER[name]().then((page) => { PAGES[name] = page; draw(); }, () => setTimeout(() => coming.delete(name), 2000));
  }
  return () => html`<div class="page"><section class="headline l0"><div class="said"><h1>Reading the page.</h1><p>It comes when there is contact with the supervisor.</p></div></section></div>`;
}

const announcer = new Announcer(element('alert'), element('polite'));

/** What the pages share beside the state. */
export const ui = {
  /** @type {number|null} */ chosen: null,
  /** @type {number|null} */ district: null,
  find: '',
  onlyBad: false,
  /** Districts that a phone shows unfolded. @type {Set<number>} */ unfolded: new Set(),
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
  const known = first in PAGES || first in LATER ? first : 'live';
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
      <nav class="tabs" aria-label="Pages">${TABS.map(([path, word]) => tab(path, word, at.tab, s))}${tab('more', 'More', MORE.includes(at.tab) ? 'more' : at.tab)}</nav>
      <span class="age ${lost ? 'lost' : ''}">${s ? beat(store.beats, lost) : nothing}${age(s, lost)}</span>
      ${nodes(s)}<span class="since">${s && Date.now() - store.startedAt > 60_000 ? `Session ${span(Date.now() - store.startedAt)}` : ''}</span>
      ${soundButton(s)}
      ${session.role === 'operator'
        ? html`<button class="who" @click=${leave} title="Sign out">${session.name}<span class="sr">, sign out</span></button>`
        : html`<button class="who" @click=${() => signInDialog()}>Sign in</button>`}
    </header>
    ${strips(store)}
    <main id="main" tabindex="-1" class=${lost ? 'lost' : ''}>
      ${s ? pageOf(at.page)({ s, at, head, lost, top: top(head, s, lost) }) : waitingPage()}
    </main>
    <nav class="bottom" aria-label="Pages">
      ${TABS.filter((t) => t[2]).map(([path, word]) => tab(path, word, at.tab, s))}
      ${tab('more', 'More', TABS.some((t) => t[2] && t[0] === at.tab) ? at.tab : 'more')}
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

/** How many nodes are alive, where one is not. @param {any} s */
function nodes(s) {
  const silent = s?.nodes.filter((n) => !n.up).length ?? 0;
  return silent ? html`<b class="nodes">${s.nodes.length - silent} of ${s.nodes.length} nodes</b>` : nothing;
}

/** A device that sounds needs one tap for each load; until then that is itself worth knowing. @param {any} s */
function soundButton(s) {
  if (s?.demo) return html`<button class="sound" disabled>Sound off</button>`;
  if (sound.waits) return html`<button class="sound waits" @click=${soundOn}>${sign(3, { size: 18 })}<span><b>Sound off</b><span class="long"> – tap to hear alarms</span></span></button>`;
  return html`<button class="sound" aria-pressed=${sound.on && prefs.sounds ? 'true' : 'false'} @click=${prefs.sounds ? soundOff : soundOn}>${prefs.sounds ? 'Sound on' : 'Sound off'}</button>`;
}

async function soundOn() {
  prefer({ sounds: true });
  await sound.start();
  sound.burst({ pulses: 1, gap: 0, rise: false });
  draw();
}

async function soundOff() {
  prefer({ sounds: false });
  await sound.stop();
  draw();
}

async function leave() {
  await signOut();
  draw();
}

/** The sentence on top. @param {any} head @param {any} s @param {boolean} lost */
function top(head, s, lost) {
  const fault = head.fault ?? (head.about && !lost ? newest(head.about, draw) : null);
  const steps = fault === null || lost ? [] : todo(fault, draw);
  return html`<section class="headline l${head.level}" aria-label="State">
    ${sign(head.level, { size: 34 })}
    <div class="said"><div role="status"><h1>${lost ? 'Last known: ' : ''}${head.title}</h1></div><p>${head.detail}</p>${steps.length ? html`<ul class="steps">${steps.map((it) => html`<li>${capital(it)}</li>`)}</ul>` : nothing}</div>
    <div class="buttons">
      ${fault === null ? nothing : html`<a class="button" href="/faults/${fault}">Open fault ${fault}</a>`}
      ${head.restore === null ? nothing : html`<button ?disabled=${lost} @click=${() => restoreDialog(head.restore)}>Restore ${s.districts[head.restore].id}…</button>`}
    </div></section>`;
}

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
/** Silence is for all screens where somebody is signed in; without, at least this one is quiet. */
document.addEventListener('silence', () => {
  sound.silence();
  if (session.role === 'operator') post('silence', {});
  draw();
});
listen(ui, TABS.map(([path]) => path));
addEventListener('popstate', draw);

let drawnAt = 0;
let waiting = false;

store.listeners.add(({ urgent }) => {
  const s = store.state;
  if (s) {
    announcer.heed(s, store.isLost());
    sound.heed(s, store.isLost());
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
setInterval(() => {
  announcer.speak();
  if (store.state && store.isLost()) sound.heed(store.state, true);
  if (prefs.wall && Date.now() - touchedAt > IDLE && place().page !== 'live' && !document.querySelector('dialog')) go('/live');
}, 1000);

let touchedAt = Date.now();
for (const kind of ['pointerdown', 'keydown', 'wheel', 'touchmove']) addEventListener(kind, () => { touchedAt = Date.now(); }, { passive: true });

/** Script time of the newest messages: taking them in and telling everybody. @type {number[]} */
const taken = [];
store.measure = (ms) => { taken.push(ms); if (taken.length > 600) taken.shift(); };
/** Script time of the newest drawings, for the tests. @type {number[]} */
const measured = [];
Object.assign(globalThis, { checkrail: { store, measured, sound, taken: () => taken } });

applyPrefs();
element('app').replaceChildren();
draw();
store.start();
loadSession().then(draw);

