// @ts-check
// Trends: one canvas behind the rows of a panel, one column a device pixel with its lowest and highest value, so that a
// short spike cannot vanish.
import { TREND, store } from './store.js';

class TrendSheet extends HTMLElement {
  connectedCallback() {
    this.canvas = document.createElement('canvas');
    this.canvas.setAttribute('aria-hidden', 'true');
    this.append(this.canvas);
    this.draws = 0;
    this.listener = () => this.schedule();
    store.listeners.add(this.listener);
    this.observer = new ResizeObserver(() => this.schedule());
    this.observer.observe(this);
  }

  disconnectedCallback() {
    store.listeners.delete(this.listener);
    this.observer?.disconnect();
    this.canvas?.remove();
  }

  schedule() {
    if (this.pending || document.hidden) return;
    this.pending = true;
    requestAnimationFrame(() => {
      this.pending = false;
      this.draws += 1;
      // With reduced motion the trends step once a second.
      if (matchMedia('(prefers-reduced-motion: reduce)').matches && this.draws % 10 !== 1) return;
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
    const style = getComputedStyle(this);
    const colours = { line: style.getPropertyValue('--norm'), ink: style.getPropertyValue('--ink'), rule: style.getPropertyValue('--edge') };
    const top = Math.max(1, ...s.districts.map((d) => d.trip_ma));
    for (const slot of /** @type {NodeListOf<HTMLElement>} */ (this.parentElement.querySelectorAll('[data-trend]'))) {
      const r = slot.getBoundingClientRect();
      const at = Number(slot.dataset.trend);
      const area = { x: (r.left - box.left) * scale, y: (r.top - box.top) * scale, w: r.width * scale, h: r.height * scale };
      if (area.w > 4) trend(context, area, s.trends[at] ?? [], { top, trip: s.districts[at].trip_ma, off: s.districts[at].power === 'cut', scale, colours });
    }
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
  let joined = false;
  for (let x = 0; x < columns; x += 1) {
    const from = values.length - TREND + Math.floor((x * TREND) / columns);
    const to = Math.max(from + 1, values.length - TREND + Math.floor(((x + 1) * TREND) / columns));
    const part = values.slice(Math.max(0, from), Math.max(0, to)).filter((v) => v !== null);
    if (part.length === 0) {
      joined = false;
      continue;
    }
    const [low, high] = [Math.min(...part), Math.max(...part)];
    if (joined) c.lineTo(a.x + x, y(part[0]));
    else c.moveTo(a.x + x, y(part[0]));
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
