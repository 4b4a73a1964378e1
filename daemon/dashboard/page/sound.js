// @ts-check
// Tones for alarms: oscillators only, started by a tap, because browsers are silent before one.
import { isOpen, level } from './words.js';

/** Pulses, gap between them and pause before the next burst, by priority. Unit: ms. */
const BURST = [null, { pulses: 10, gap: 200, again: 10_000, rise: true }, { pulses: 3, gap: 250, again: 30_000, rise: false }, { pulses: 1, gap: 0, again: Infinity, rise: false }];
const SILENCE = 120_000;
const PULSE = 0.15;

export class Sound {
  constructor() {
    /** @type {AudioContext|null} */ this.context = null;
    this.silentUntil = 0;
    this.nextAt = 0;
    this.sounding = '';
  }

  get on() {
    return this.context?.state === 'running';
  }

  async toggle() {
    if (this.on) return this.context?.suspend();
    this.context ??= new AudioContext();
    await this.context.resume();
    this.burst(BURST[3]);
    return undefined;
  }

  /** Silences for two minutes; a new alarm of priority 1 breaks it. */
  silence() {
    this.silentUntil = Date.now() + SILENCE;
  }

  /** Sounds for the worst alarm that is not acknowledged. @param {any[]} alarms @param {boolean} lost @param {boolean} demo */
  heed(alarms, lost, demo) {
    if (!this.on || demo) return;
    const open = alarms.filter(isOpen);
    const worst = lost ? 2 : Math.min(4, ...open.map((a) => level(a.priority)));
    const ids = lost ? 'lost' : open.filter((a) => level(a.priority) === worst).map((a) => a.id).join();
    const fresh = ids !== this.sounding && ids !== '';
    this.sounding = ids;
    if (worst > 3) return;
    if (fresh && worst === 1) this.silentUntil = 0;
    const now = Date.now();
    if (now < this.silentUntil || (!fresh && now < this.nextAt)) return;
    this.burst(lost ? BURST[3] : BURST[worst]);
    this.nextAt = now + (lost ? 10_000 : BURST[worst].again);
  }

  /** @param {any} burst */
  burst({ pulses, gap, rise }) {
    const start = this.context.currentTime + 0.05;
    for (let n = 0; n < pulses; n += 1) {
      const pause = n >= 5 ? 0.35 : 0;
      this.pulse(start + (n * gap) / 1000 + pause, rise ? 520 * 1.09 ** (n % 5) : 560);
    }
  }

  /** @param {number} at @param {number} pitch */
  pulse(at, pitch) {
    const gain = this.context.createGain();
    gain.connect(this.context.destination);
    gain.gain.setValueAtTime(0, at);
    gain.gain.linearRampToValueAtTime(0.12, at + 0.02);
    gain.gain.setValueAtTime(0.12, at + PULSE - 0.03);
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
