// @ts-check
// What this device prefers. Kept in the browser alone.

const KEY = 'checkrail';
const DEFAULTS = { theme: 'system', keys: true, flash: true, sounds: false, volume: 60, wall: false, name: '' };

function load() {
  try {
    return { ...DEFAULTS, ...JSON.parse(localStorage.getItem(KEY) ?? '{}') };
  } catch {
    return { ...DEFAULTS };
  }
}

export const prefs = load();

/** @param {Partial<typeof DEFAULTS>} change */
export function prefer(change) {
  Object.assign(prefs, change);
  try {
    localStorage.setItem(KEY, JSON.stringify(prefs));
  } catch {
    // A browser that keeps nothing still shows what was chosen until the page is left.
  }
  applyPrefs();
}

export function applyPrefs() {
  const root = document.documentElement;
  if (prefs.theme === 'system') root.removeAttribute('data-theme');
  else root.setAttribute('data-theme', prefs.theme);
  root.toggleAttribute('data-no-flash', !prefs.flash);
}
