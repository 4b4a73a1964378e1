// @ts-check
// Turnout cells: made once, then written directly, one attribute at a time and only where it changed.
import { lowerMark, upperMark } from './signs.js';
import { store } from './store.js';
import { enlarge } from './touch.js';
import { cellName, trouble } from './words.js';

const SVG = 'http://www.w3.org/2000/svg';
const BAR = 64;

/** @param {string} name @param {Record<string, string|number>} attributes */
function svg(name, attributes) {
  const node = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, String(value));
  return node;
}

/** A name that differs in numbers only is written again after this long, or when the cell is reached. Unit: ms. */
const RENAMED_AFTER = 5000;

/** What every cell begins as: copied whole, since making its parts one by one takes several times as long.
 * @param {boolean} small */
function blank(small) {
  const button = document.createElement('button');
  button.type = 'button';
  button.tabIndex = -1;
  button.className = 'cell';
  const glyph = svg('svg', { viewBox: '0 0 18 18', class: 'glyph', 'aria-hidden': 'true' });
  glyph.append(svg('rect', { x: 0.5, y: 0.5, width: 17, height: 17, rx: 1 }), svg('path', { class: 'mid', d: 'M0 9h18' }), svg('path', { class: 'up' }), svg('path', { class: 'low' }));
  const bar = svg('svg', { viewBox: `0 0 ${BAR} 5`, class: 'bar', preserveAspectRatio: 'none', 'aria-hidden': 'true' });
  bar.append(svg('rect', { class: 'track', x: 0, y: 0.5, width: BAR, height: 4 }), svg('rect', { class: 'fill', x: 0, y: 0.5, height: 4, width: 0 }), svg('rect', { class: 'tick', x: 0, y: 0, height: 5, width: 2 }));
  if (!small) button.append(document.createElement('span'), document.createElement('b'));
  button.append(glyph, bar);
  return button;
}

const BLANKS = { small: blank(true), large: blank(false) };

class Cell {
  /** @param {any} t @param {number} at @param {boolean} small */
  constructor(t, at, small) {
    this.button = /** @type {HTMLButtonElement} */ ((small ? BLANKS.small : BLANKS.large).cloneNode(true));
    this.button.dataset.turnout = String(at);
    const parts = [...this.button.children];
    const [glyph, bar] = parts.slice(-2);
    [, , this.up, this.low] = glyph.children;
    [, this.load, this.heat] = bar.children;
    /** @type {HTMLElement|null} */ this.side = null;
    if (!small) {
      const [id, side] = /** @type {HTMLElement[]} */ (parts);
      id.textContent = t.id;
      if (t.id.length > 3) id.className = 'long';
      this.side = side;
    }
    /** @type {any} */ this.shown = null;
    this.last = { className: '', up: '', low: '', load: -1, heat: -1, side: '' };
    this.named = { state: '', at: 0 };
  }

  /** @param {any} t @param {any} s @param {boolean} chosen */
  write(t, s, chosen) {
    if (this.shown === t && this.chosen === chosen) return;
    this.shown = t;
    this.chosen = chosen;
    const bad = trouble(t);
    const sign = bad ? ` bad p${bad.level}` : '';
    this.set('className', `cell ${t.frog}${sign}${t.old ? ' old' : ''}${chosen ? ' chosen' : ''}`, (v) => (this.button.className = v));
    this.set('up', upperMark(t), (v) => this.up.setAttribute('d', v));
    this.set('low', lowerMark(t), (v) => this.low.setAttribute('d', v));
    this.set('load', Math.round((Math.min(t.load, 100) / 100) * BAR), (v) => this.load.setAttribute('width', v));
    this.set('heat', Math.round((Math.min(t.heat, 100) / 100) * (BAR - 2)), (v) => this.heat.setAttribute('x', v));
    this.set('side', t.position === 'normal' ? 'N' : t.position === 'reverse' ? 'R' : '', (v) => { if (this.side) this.side.dataset.side = v; });
    const state = `${t.position} ${t.frog} ${bad?.level} ${bad?.text} ${t.old}`;
    if (state !== this.named.state || s.t - this.named.at > RENAMED_AFTER) this.name(t, s, state);
  }

  /** Its name in words, with load and heat. @param {any} t @param {any} s @param {string} [state] */
  name(t, s, state = this.named.state) {
    this.named = { state, at: s.t };
    this.button.setAttribute('aria-label', cellName(t, s));
  }

  /** @param {string} key @param {any} value @param {(v: any) => void} put */
  set(key, value, put) {
    if (this.last[key] === value) return;
    this.last[key] = value;
    put(value);
  }
}

/** Cells of one tab stop: those of a matrix together, elsewhere those of a group. @param {Element} cells */
const stopOf = (cells) => cells.closest('[data-one-stop]') ?? cells;

/** Cells that a finger cannot hit for certain open the enlarging sheet. Unit: px. */
const SURE = 44;

/** `<turnout-cells>`: the cells of some turnouts; arrow keys go from one to the next, Home and End to the ends. */
class TurnoutCells extends HTMLElement {
  constructor() {
    super();
    /** @type {Map<number, Cell>} */ this.cells = new Map();
    this.key = '';
    this.touched = false;
    this.addEventListener('keydown', (e) => this.move(e));
    this.addEventListener('pointerup', (e) => { this.touched = e.pointerType === 'touch'; });
    this.addEventListener('click', (e) => this.choose(e));
    this.addEventListener('focusin', (e) => this.rename(e));
  }

  /** A cell that is reached says what it shows now. @param {Event} e */
  rename(e) {
    const at = Number(/** @type {HTMLElement} */ (e.target).closest('button')?.dataset.turnout ?? NaN);
    const s = store.state;
    if (s?.turnouts[at]) this.cells.get(at)?.name(s.turnouts[at], s);
  }

  /** @param {{s: any, list: number[], small: boolean, chosen: number|null}} model */
  set model({ s, list, small, chosen }) {
    const key = `${s.epoch}:${small}:${list.join()}`;
    if (key !== this.key) {
      this.key = key;
      this.cells = new Map(list.map((at) => [at, new Cell(s.turnouts[at], at, small)]));
      this.replaceChildren(...[...this.cells.values()].map((cell) => cell.button));
      queueMicrotask(() => this.first());
    }
    for (const [at, cell] of this.cells) cell.write(s.turnouts[at], s, at === chosen);
  }

  /** One cell can be reached by Tab. */
  first() {
    const all = stopOf(this);
    if (!all.querySelector('button.cell[tabindex="0"]')) all.querySelector('button.cell')?.setAttribute('tabindex', '0');
  }

  /** @param {Event} e */
  choose(e) {
    const button = /** @type {Element} */ (e.target).closest('button');
    if (!button) return;
    this.stop(button);
    const at = Number(button.dataset.turnout);
    const tell = (chosen) => this.dispatchEvent(new CustomEvent('choose', { detail: chosen, bubbles: true }));
    if (this.touched && Math.min(button.offsetWidth, button.offsetHeight) < SURE) enlarge([...this.cells.keys()], at, () => store.state, tell);
    else tell(at);
  }

  /** @param {KeyboardEvent} e */
  move(e) {
    const all = /** @type {HTMLButtonElement[]} */ ([...stopOf(this).querySelectorAll('button.cell')]);
    const own = /** @type {HTMLButtonElement[]} */ ([...this.querySelectorAll('button.cell')]);
    const now = /** @type {any} */ (document.activeElement);
    const at = all.indexOf(now);
    const ends = { Home: own[0], End: own.at(-1) };
    const steps = { ArrowRight: at + 1, ArrowLeft: at - 1, ArrowDown: this.row(all, at, 1), ArrowUp: this.row(all, at, -1) };
    if (at < 0 || !(e.key in ends || e.key in steps)) return;
    e.preventDefault();
    const next = ends[e.key] ?? all[Math.max(0, Math.min(all.length - 1, steps[e.key]))];
    this.stop(next);
    next.focus();
  }

  /** The nearest cell a row up or down. @param {HTMLElement[]} buttons @param {number} at @param {number} way */
  row(buttons, at, way) {
    if (at < 0) return at;
    const from = buttons[at].getBoundingClientRect();
    const rows = buttons.map((b, n) => ({ n, r: b.getBoundingClientRect() })).filter(({ r }) => (r.top - from.top) * way > 4);
    rows.sort((a, b) => Math.abs(a.r.top - from.top) - Math.abs(b.r.top - from.top) || Math.abs(a.r.left - from.left) - Math.abs(b.r.left - from.left));
    const near = rows.filter(({ r }) => Math.abs(r.left - from.left) < r.width * 2);
    return (near[0] ?? rows[0])?.n ?? at;
  }

  /** @param {HTMLButtonElement} button */
  stop(button) {
    for (const other of stopOf(this).querySelectorAll('button.cell[tabindex="0"]')) other.setAttribute('tabindex', '-1');
    button.tabIndex = 0;
  }
}

customElements.define('turnout-cells', TurnoutCells);
