// @ts-check
// Trends: one canvas behind the rows of a panel, one column a device pixel with its lowest and highest value, so that a
// short spike cannot vanish.
import { TREND, store } from './store.js';

/** Drawings for which colours and places are kept. */
const KEEP = 10;

class TrendSheet extends HTMLElement {
  connectedCallback() {
    this.canvas = document.createElement('canvas');
    this.canvas.setAttribute('aria-hidden', 'true');
    this.append(this.canvas);
    this.draws = 0;
    this.listener = () => this.schedule();
    store.listeners.add(this.listener);
    // Another size or theme is drawn at once, whether or not anything comes.
    this.again = () => { this.kept = null; this.schedule(true); };
    this.observer = new ResizeObserver(this.again);
    this.observer.observe(this);
    this.dark = matchMedia('(prefers-color-scheme: dark)');
    this.dark.addEventListener('change', this.again);
  }

  disconnectedCallback() {
    store.listeners.delete(this.listener);
    this.observer?.disconnect();
    this.dark?.removeEventListener('change', this.again);
    this.canvas?.remove();
  }

  /** @param {boolean} [now] also where trends step only once a second */
  schedule(now = false) {
    this.now ||= now;
    if (this.pending || document.hidden) return;
    this.pending = true;
    requestAnimationFrame(() => {
      this.pending = false;
      this.draws += 1;
      // With reduced motion the trends step once a second.
      if (!this.now && matchMedia('(prefers-reduced-motion: reduce)').matches && this.draws % 10 !== 1) return;
      this.now = false;
      this.draw();
    });
  }

  draw() {
    const s = store.state;
    if (!s || !this.isConnected) return;
    const box = this.getBoundingClientRect();
    const scale = devicePixelRatio || 1;
    const width = Math.round(box.width * scale);
    const height = Math.round(box.height * scale);
    if (!width || !height) return;
    if (this.canvas.width !== width || this.canvas.height !== height) {
      this.canvas.width = width;
      this.canvas.height = height;
    }
    const context = this.canvas.getContext('2d');
    context.clearRect(0, 0, width, height);
    const { colours, slots } = this.known(box, scale);
    const top = Math.max(1, ...s.districts.map((d) => d.trip_ma));
    for (const { at, area } of slots) {
      const d = s.districts[at];
      if (d && area.w > 4) trend(context, area, s.trends[at] ?? [], { top, trip: d.trip_ma, off: d.power === 'cut', scale, colours });
    }
  }

  /** Colours and places of the trends. Asking for them makes the browser lay out the page, so they are kept for a while.
   * @param {DOMRect} box @param {number} scale */
  known(box, scale) {
    const key = `${box.width}x${box.height}x${scale}`;
    if (this.kept && this.kept.key === key && this.draws - this.kept.draws < KEEP) return this.kept;
    const style = getComputedStyle(this);
    const colours = { line: style.getPropertyValue('--norm'), ink: style.getPropertyValue('--ink'), rule: style.getPropertyValue('--edge') };
    const slots = [.../** @type {NodeListOf<HTMLElement>} */ (this.parentElement.querySelectorAll('[data-trend]'))].map((slot) => {
      const r = slot.getBoundingClientRect();
      return { at: Number(slot.dataset.trend), area: { x: (r.left - box.left) * scale, y: (r.top - box.top) * scale, w: r.width * scale, h: r.height * scale } };
    });
    this.kept = { key, draws: this.draws, colours, slots };
    return this.kept;
  }
}

/** @param {CanvasRenderingContext2D} c @param {{x: number, y: number, w: number, h: number}} a @param {(number|null)[]} values @param {any} how */
function trend(c, a, values, { top, trip, off, scale, colours }) {
  const y = (ma) => a.y + a.h - 2 * scale - (Math.min(ma, top) / top) * (a.h - 5 * scale);
  c.lineWidth = scale;
  c.strokeStyle = colours.rule;
  c.setLineDash([2 * scale, 3 * scale]);
  c.beginPath();
  c.moveTo(a.x, Math.round(y(trip)) + 0.5);
  c.lineTo(a.x + a.w, Math.round(y(trip)) + 0.5);
  c.stroke();
  c.setLineDash([]);
  c.strokeStyle = off ? colours.ink : colours.line;
  c.lineWidth = 1.25 * scale;
  c.beginPath();
  const columns = Math.floor(a.w - 4 * scale);
  const first = values.length - TREND;
  let joined = false;
  for (let x = 0; x < columns; x += 1) {
    const from = first + Math.floor((x * TREND) / columns);
    const to = Math.max(from + 1, first + Math.floor(((x + 1) * TREND) / columns));
    let [low, high, begun] = [Infinity, -Infinity, NaN];
    for (let n = Math.max(0, from); n < to; n += 1) {
      const v = values[n];
      if (v === null || v === undefined) continue;
      if (Number.isNaN(begun)) begun = v;
      if (v < low) low = v;
      if (v > high) high = v;
    }
    if (high < low) {
      joined = false;
      continue;
    }
    if (joined) c.lineTo(a.x + x, y(begun));
    else c.moveTo(a.x + x, y(begun));
    if (high !== low) {
      c.lineTo(a.x + x, y(high));
      c.lineTo(a.x + x, y(low));
    }
    joined = true;
  }
  c.stroke();
  const last = values.at(-1);
  if (last !== null && last !== undefined) {
    c.fillStyle = colours.ink;
    c.beginPath();
    c.arc(a.x + columns, y(last), 2.2 * scale, 0, 7);
    c.fill();
  }
}

customElements.define('trend-sheet', TrendSheet);
