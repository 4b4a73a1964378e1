// @ts-check
// Tones for alarms: oscillators only, started by a tap, because browsers are silent before one. Only a device that is
// marked to sound does, so that four phones do not ring together.
import { prefs } from './prefs.js';
import { isOpen, level } from './words.js';

/** Pulses, gap between them and pause before the next burst, by priority. Unit: ms. */
export const BURST = [null, { pulses: 10, gap: 200, again: 10_000, rise: true }, { pulses: 3, gap: 250, again: 30_000, rise: false }, { pulses: 1, gap: 0, again: Infinity, rise: false }];
/** While contact is lost: one tone so often. Unit: ms. */
const LOST_AGAIN = 10_000;
const SILENCE = 120_000;
/** Length of a pulse, and the pause after the fifth of ten. Unit: s. */
const PULSE = 0.15;
const REST = 0.35;
/** Loudness of a pulse with the volume all the way up, for five harmonics together. */
const LOUDEST = 0.3;
/** Vibration by priority, where there is any. Unit: ms on, off, on, … */
const SHAKE = [null, [200, 100, 200, 100, 200], [200, 100, 200], [100]];

/** What to sound now: a priority, `lost`, or nothing. Pure: the clock and what sounded last are handed in.
 * @param {{alarms: any[], lost: boolean, silent: number, now: number, last: {ids: string, next: number}}} of */
export function due({ alarms, lost, silent, now, last }) {
  const open = alarms.filter(isOpen);
  const worst = Math.min(4, ...open.map((a) => level(a.priority)));
  const of = open.filter((a) => level(a.priority) === worst);
  const ids = lost ? 'lost' : of.map((a) => `${a.id}@${a.raised}`).join();
  const known = new Set(last.ids.split(','));
  const fresh = lost ? last.ids !== 'lost' : of.some((a) => !known.has(`${a.id}@${a.raised}`));
  // A new alarm of priority 1 breaks a silence.
  const broken = !lost && fresh && worst === 1;
  if (ids === '') return { what: 0, ids, next: 0, broken };
  if ((now < silent && !broken) || (!fresh && now < last.next)) return { what: 0, ids, next: last.next, broken };
  return { what: lost ? 3 : worst, ids, next: now + (lost ? LOST_AGAIN : BURST[worst].again), broken };
}

export class Sound {
  constructor() {
    /** @type {AudioContext|null} */ this.context = null;
    this.silentUntil = 0;
    this.last = { ids: '', next: 0 };
    /** What was sounded, newest last, for whoever tests it. @type {{at: number, pulses: number}[]} */ this.sounded = [];
  }

  /** The browser lets it sound. */
  get on() {
    return this.context?.state === 'running';
  }

  /** This device should sound and cannot until somebody taps. */
  get waits() {
    return prefs.sounds && !this.on;
  }

  async start() {
    this.context ??= new AudioContext();
    await this.context.resume();
  }

  async stop() {
    await this.context?.suspend();
  }

  /** Silences this device for two minutes; a new alarm of priority 1 breaks it. */
  silence() {
    this.silentUntil = Date.now() + SILENCE;
  }

  /** Sounds for the worst alarm that is not acknowledged. @param {any} s @param {boolean} lost */
  heed(s, lost) {
    if (!prefs.sounds || s.demo) return;
    // The daemon's clock and this device's may differ: what is left is what counts.
    const shared = s.silent > s.t ? Date.now() + (s.silent - s.t) : 0;
    const silent = Math.max(this.silentUntil, lost ? 0 : shared);
    const { what, ids, next, broken } = due({ alarms: s.alarms, lost, silent, now: Date.now(), last: this.last });
    if (broken) this.silentUntil = 0;
    this.last = { ids, next };
    if (what) this.sound(what);
  }

  /** @param {number} priority */
  sound(priority) {
    navigator.vibrate?.(SHAKE[priority]);
    if (this.on) this.burst(BURST[priority]);
  }

  /** @param {any} burst */
  burst({ pulses, gap, rise }) {
    const start = this.context.currentTime + 0.05;
    this.sounded.push({ at: Date.now(), pulses });
    if (this.sounded.length > 20) this.sounded.shift();
    for (let n = 0; n < pulses; n += 1) this.pulse(start + (n * gap) / 1000 + (n >= 5 ? REST : 0), rise ? 520 * 1.09 ** (n % 5) : 560);
  }

  /** @param {number} at @param {number} pitch */
  pulse(at, pitch) {
    const loud = (LOUDEST * prefs.volume) / 100;
    const gain = this.context.createGain();
    gain.connect(this.context.destination);
    gain.gain.setValueAtTime(0, at);
    gain.gain.linearRampToValueAtTime(loud, at + 0.02);
    gain.gain.setValueAtTime(loud, at + PULSE - 0.03);
    gain.gain.linearRampToValueAtTime(0, at + PULSE);
    // Harmonics are heard by older ears and on small speakers.
    for (const harmonic of [1, 2, 3, 4, 5]) {
      const tone = this.context.createOscillator();
      tone.frequency.value = pitch * harmonic;
      tone.connect(gain);
      tone.start(at);
      tone.stop(at + PULSE);
    }
  }
}

export const sound = new Sound();
