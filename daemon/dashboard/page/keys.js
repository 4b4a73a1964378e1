// @ts-check
// Keys without a modifier. They can be switched off, and never act while somebody types or a dialog is open.
import { keysDialog, request } from './dialogs.js';
import { prefs } from './prefs.js';
import { store } from './store.js';
import { isOpen, trouble } from './words.js';
import { sortAlarms } from './pages/alarms.js';

/** Acknowledges the alarm that has focus, or the first one. */
function acknowledge() {
  const focused = document.activeElement?.closest('[data-alarm]')?.getAttribute('data-alarm');
  const open = sortAlarms(store.state.alarms).filter(isOpen);
  const a = open.find((it) => it.id === focused) ?? open[0];
  if (a) request('acknowledge', { alarm: a.alarm, subject: a.subject });
}

/** @param {any} ui @param {number} way */
function exception(ui, way) {
  const bad = store.state.turnouts.map((t, at) => ({ t, at })).filter(({ t }) => trouble(t)).map(({ at }) => at);
  if (bad.length === 0) return;
  const now = bad.indexOf(ui.chosen ?? -1);
  ui.chosen = bad[(now + way + bad.length) % bad.length];
  ui.draw();
}

/** @param {any} ui what the pages share @param {string[]} pages of the keys 1 to 6 */
export function listen(ui, pages) {
  const keys = {
    a: acknowledge,
    s: () => document.dispatchEvent(new CustomEvent('silence')),
    f: () => { if (location.pathname !== '/turnouts') ui.go('/turnouts'); document.getElementById('find')?.focus(); },
    j: () => exception(ui, 1),
    k: () => exception(ui, -1),
    '?': keysDialog,
  };
  document.addEventListener('keydown', (e) => {
    const target = /** @type {Element} */ (e.target);
    if (!prefs.keys || !store.state || e.ctrlKey || e.altKey || e.metaKey) return;
    if (target.closest('input, select, textarea, dialog')) return;
    const page = /^[1-6]$/.test(e.key) ? pages[Number(e.key) - 1] : undefined;
    const act = page ? () => ui.go(`/${page}`) : keys[e.key.toLowerCase()];
    if (!act) return;
    e.preventDefault();
    act();
  });
}
