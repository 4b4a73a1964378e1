// @ts-check
// What a screen reader is told: new alarms and lost contact, at most one sentence in five seconds.
import { isOpen, level } from './words.js';

const PAUSE = 5000;

export class Announcer {
  /** @param {HTMLElement} alert @param {HTMLElement} polite */
  constructor(alert, polite) {
    this.alert = alert;
    this.polite = polite;
    /** @type {Set<string>|null} */ this.known = null;
    /** @type {string[]} */ this.waiting = [];
    this.spokeAt = 0;
    this.lost = false;
  }

  /** @param {any} s @param {boolean} lost */
  heed(s, lost) {
    if (lost !== this.lost) {
      this.lost = lost;
      // Ahead of alarms that wait: what is said of them may no longer be so.
      this.waiting.unshift(lost ? 'No contact with the supervisor. Trips still work without this page.' : 'Contact with the supervisor is back.');
    }
    // An alarm that comes back after it was acknowledged is new again.
    const open = s.alarms.filter(isOpen);
    const now = new Set(open.map((a) => `${a.id}@${a.raised}`));
    const fresh = this.known === null ? open.filter((a) => level(a.priority) === 1) : open.filter((a) => !this.known.has(`${a.id}@${a.raised}`));
    this.known = now;
    const urgent = fresh.filter((a) => level(a.priority) === 1);
    if (urgent.length) this.say(this.alert, sentence(urgent.map((a) => a.text)));
    this.waiting.push(...fresh.filter((a) => level(a.priority) > 1).map((a) => a.text));
    this.speak();
  }

  speak() {
    if (this.waiting.length === 0 || Date.now() - this.spokeAt < PAUSE) return;
    this.say(this.polite, sentence(this.waiting));
    this.waiting = [];
  }

  /** @param {HTMLElement} region @param {string} text */
  say(region, text) {
    this.spokeAt = Date.now();
    region.textContent = text;
  }
}

/** @param {string[]} texts */
function sentence(texts) {
  const [first, ...more] = texts.map((text) => text.replace(/\.$/, ''));
  return more.length ? `${first}, and ${more.length} more.` : `${first}.`;
}
