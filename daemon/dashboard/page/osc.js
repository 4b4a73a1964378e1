// @ts-check
// The waveform of a fault: analog traces over digital bars on one time axis, as vectors with text. Cursors A and B.
import { html, nothing, svg } from './vendor/lit-html/lit-html.js';

const LEFT = 104;
const RIGHT = 26;
const ANALOG = 120;
const DIGITAL = 20;
const GAP = 14;

/** @typedef {{channel: string, unit: string|null, ms: number[], values: any[]}} Wave */

/** Which channels are drawn: district, booster and block currents, voltages, then words. @param {Wave[]} waves */
export function order(waves) {
  const rank = (w) => (w.unit === 'A' ? (w.channel.startsWith('district/') ? 0 : w.channel.startsWith('booster/') ? 4 : 1) : w.unit === 'V' ? 2 : 3);
  // Not all can be drawn: of one kind the one that swung furthest comes first, a block through which nothing went last.
  const swing = new Map(waves.map((w) => [w, w.values.reduce((most, v) => (typeof v === 'number' ? Math.max(most, Math.abs(v)) : most), 0)]));
  const analog = waves.filter((w) => w.unit && w.values.some((v) => typeof v === 'number')).sort((a, b) => rank(a) - rank(b) || (swing.get(b) ?? 0) - (swing.get(a) ?? 0));
  // What was measured before what was asked for, where not all can be drawn.
  const asked = (w) => Number(w.channel.endsWith('/asked'));
  const digital = waves.filter((w) => !w.unit && w.values.length).sort((a, b) => asked(a) - asked(b));
  return { analog, digital };
}

/** A round step so that about `wanted` lie in `range`. @param {number} range @param {number} wanted */
export function step(range, wanted) {
  const raw = Math.max(range, 1e-9) / wanted;
  const ten = 10 ** Math.floor(Math.log10(raw));
  return [1, 2, 5, 10].map((n) => n * ten).find((n) => n >= raw) ?? raw;
}

/** The value of a wave at a time: the newest sample not after it. @param {Wave} w @param {number} ms */
export function valueAt(w, ms) {
  let [low, high] = [0, w.ms.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (w.ms[middle] <= ms) low = middle + 1;
    else high = middle;
  }
  return low === 0 ? null : w.values[low - 1];
}

/** @param {string} channel */
export const shortName = (channel) => channel.replace(/^(district|booster|block|machine|frog|reverser)\//, '').replace('/', ' ');

/** Points of a trace: at most a lowest and a highest for each pixel. @param {Wave} w @param {(ms: number) => number} x @param {(v: number) => number} y @param {[number, number]} range */
export function tracePath(w, x, y, range) {
  const parts = [];
  let pen = 'M';
  let column = { x: NaN, low: 0, high: 0, last: 0 };
  const flush = () => {
    if (Number.isNaN(column.x)) return;
    parts.push(`${pen}${column.x} ${y(column.high).toFixed(1)}`);
    if (column.low !== column.high) parts.push(`L${column.x} ${y(column.low).toFixed(1)}L${column.x} ${y(column.last).toFixed(1)}`);
    pen = 'L';
  };
  w.ms.forEach((ms, at) => {
    if (ms < range[0] - 50 || ms > range[1] + 50) return;
    const v = w.values[at];
    if (typeof v !== 'number') {
      flush();
      column = { x: NaN, low: 0, high: 0, last: 0 };
      pen = 'M';
      return;
    }
    const px = Math.round(x(ms) * 2) / 2;
    if (px === column.x) {
      column = { x: px, low: Math.min(column.low, v), high: Math.max(column.high, v), last: v };
    } else {
      flush();
      column = { x: px, low: v, high: v, last: v };
    }
  });
  flush();
  return parts.join('');
}

/** @param {{waves: Wave[], width: number, range: [number, number], onset: number, cleared: number|null, trip: number|null, a: number|null, b: number|null, opens: {ms: number, text: string}[], drag?: {from: number, to: number|null}|null}} of */
export function oscillogram({ waves, width, range, onset, cleared, trip, a, b, opens, drag }) {
  const { analog, digital } = order(waves);
  const shown = analog.slice(0, 4);
  const rows = digital.slice(0, 12);
  const span = range[1] - range[0];
  const x = (ms) => LEFT + ((ms - range[0]) / span) * (width - LEFT - RIGHT);
  const inside = (ms) => ms >= range[0] && ms <= range[1];
  const base = 22;
  const digitalTop = base + shown.length * (ANALOG + GAP);
  const height = digitalTop + rows.length * DIGITAL + 26;
  const washEnd = Math.min(range[1], cleared ?? range[1]);
  const ticks = ticksOf(range, width);
  return svg`<svg class="osc" viewBox="0 0 ${width} ${height}" width=${width} height=${height} role="img" aria-label="Waveform; the sequence of events tells the same in words">
    <defs><clipPath id="osc-clip"><rect x=${LEFT} y="0" width=${width - LEFT - RIGHT} height=${height}></rect></clipPath></defs>
    ${range[0] < 0 ? svg`<rect class="pre" x=${LEFT} y=${base} width=${Math.max(0, x(Math.min(0, range[1])) - LEFT)} height=${height - base - 24}></rect><text class="quiet" x=${LEFT + 6} y=${base - 6}>pre-trigger</text>` : nothing}
    ${onset < washEnd && washEnd > range[0] ? svg`<rect class="wash" x=${x(Math.max(range[0], onset))} y=${base} width=${x(washEnd) - x(Math.max(range[0], onset))} height=${Math.max(0, shown.length * (ANALOG + GAP) - GAP)}></rect>` : nothing}
    ${shown.map((w, n) => analogRow(w, base + n * (ANALOG + GAP), { x, range, width, trip: w.unit === 'A' && w.channel.startsWith('district/') ? trip : null }))}
    ${rows.map((w, n) => digitalRow(w, digitalTop + n * DIGITAL, { x, range, width }))}
    ${ticks.map((t) => svg`<text class="axis" x=${x(t)} y=${height - 6} text-anchor="middle">${t > 0 ? '+' : ''}${String(t).replace('-', '−')}${t === 0 ? ' ms' : ''}</text>`)}
    ${inside(0) ? svg`<line class="trigger" x1=${x(0)} x2=${x(0)} y1=${base} y2=${height - 22}></line><text class="strong" x=${x(0)} y=${base - 6} text-anchor="middle">trigger</text>` : nothing}
    ${opens.filter((o) => inside(o.ms)).map((o) => svg`<line class="opens" x1=${x(o.ms)} x2=${x(o.ms)} y1=${base} y2=${height - 22}></line><text class="strong" x=${x(o.ms) + (x(o.ms) > width - 140 ? -6 : 6)} y=${base + 12} text-anchor=${x(o.ms) > width - 140 ? 'end' : 'start'}>${o.text}</text>`)}
    ${[['A', a], ['B', b]].map(([name, ms]) => (typeof ms === 'number' && inside(ms) ? svg`<line class="cursor" x1=${x(ms)} x2=${x(ms)} y1=${base} y2=${height - 22}></line><text class="strong" x=${x(ms) + 3} y=${height - 26}>${name}</text>` : nothing))}
    ${drag && drag.to !== null ? svg`<rect class="marked" x=${x(Math.min(drag.from, drag.to))} y=${base} width=${Math.abs(x(drag.to) - x(drag.from))} height=${height - base - 22}></rect>` : nothing}
  </svg>`;
}

/** @param {[number, number]} range @param {number} width */
function ticksOf(range, width) {
  const by = step(range[1] - range[0], Math.max(3, Math.floor((width - LEFT) / 90)));
  const ticks = [];
  for (let t = Math.ceil(range[0] / by) * by; t <= range[1]; t += by) ticks.push(Math.round(t * 1000) / 1000 || 0);
  return ticks;
}

/** @param {Wave} w @param {number} top @param {any} how */
function analogRow(w, top, { x, range, width, trip }) {
  const numbers = w.values.filter((v) => typeof v === 'number');
  const highest = Math.max(0.1, trip ?? 0, ...numbers) * 1.08;
  const y = (v) => top + ANALOG - (Math.max(0, v) / highest) * ANALOG;
  const by = step(highest, 4);
  const lines = [];
  for (let v = 0; v <= highest; v += by) lines.push(Math.round(v * 100) / 100);
  return svg`<g>${lines.map((v) => svg`<text class="axis" x=${LEFT - 8} y=${y(v) + 4} text-anchor="end">${v}${v === lines.at(-1) ? ` ${w.unit}` : ''}</text>`)}
    <line class="zero" x1=${LEFT} x2=${width - RIGHT} y1=${y(0)} y2=${y(0)}></line>
    <text class="name" x="4" y=${top + ANALOG / 2}>${shortName(w.channel).split(' ')[0]}</text>${/current$/.test(w.channel) ? nothing : svg`<text class="name" x="4" y=${top + ANALOG / 2 + 15}>${shortName(w.channel).split(' ')[1]}</text>`}
    ${trip ? svg`<line class="trip" x1=${LEFT} x2=${width - RIGHT} y1=${y(trip)} y2=${y(trip)}></line><text class="quiet" x=${LEFT + 6} y=${y(trip) - 4}>trip ${trip} A</text>` : nothing}
    <path class=${w.unit === 'A' ? 'trace' : 'trace two'} clip-path="url(#osc-clip)" d=${tracePath(w, x, y, range)}></path></g>`;
}

/** The value that is drawn as a bar, and how the row is named, by quantity. */
const HIGH = { feedback: ['on', 'on'], position: ['reverse', 'reverse'], asked: ['reverse', 'asked R'], polarity: ['B', 'frog on B'], occupied: ['yes', 'occupied'], state: ['swapped', 'swapped'] };

/** @param {Wave} w @param {number} top @param {any} how */
function digitalRow(w, top, { x, range, width }) {
  const bars = w.ms.map((ms, at) => ({ from: Math.max(ms, range[0]), to: Math.min(w.ms[at + 1] ?? range[1], range[1]), v: w.values[at] }));
  const [, name, quantity] = w.channel.split('/');
  const [high, word] = HIGH[quantity] ?? ['on', quantity];
  return svg`<g><text class="axis" x=${LEFT - 8} y=${top + 14} text-anchor="end">${name} ${word}</text>
    <line class="zero" x1=${LEFT} x2=${width - RIGHT} y1=${top + 16} y2=${top + 16}></line>
    ${bars.filter((b) => b.to > b.from && b.v === high).map((b) => svg`<rect class="bar" x=${x(b.from)} y=${top + 5} width=${x(b.to) - x(b.from)} height="11"></rect>`)}</g>`;
}

/** The differences between the cursors, in words. @param {Wave[]} waves @param {number|null} a @param {number|null} b */
export function cursorWords(waves, a, b) {
  if (a === null) return html`<p class="quiet small hint">Click the waveform, or use the arrow keys in it, to set cursor A; Shift with an arrow moves ten samples, B moves the other one. Drag to look closer, or press + − and 0 to reset.</p>`;
  const current = order(waves).analog[0];
  const of = (ms) => (current ? valueAt(current, ms) : null);
  const said = (name, ms) => `${name} ${ms.toFixed(1)} ms${typeof of(ms) === 'number' ? `, ${of(ms).toFixed(2)} ${current.unit}` : ''}`;
  return html`<p class="small" aria-live="polite"><b>${said('A', a)}</b>${b === null ? '' : html`; <b>${said('B', b)}</b>; apart ${(b - a).toFixed(1)} ms${typeof of(a) === 'number' && typeof of(b) === 'number' ? `, ${(of(b) - of(a)).toFixed(2)} ${current.unit}` : ''}`}</p>`;
}

export const edges = { LEFT, RIGHT };

/** A small waveform on a scale that several share. @param {{wave: Wave|null, range: [number, number], high: number, onset: number, cleared: number|null, label: string}} of */
export function mini({ wave, range, high, onset, cleared, label }) {
  const [width, height] = [240, 74];
  const x = (ms) => ((ms - range[0]) / (range[1] - range[0])) * width;
  const y = (v) => height - 4 - (Math.max(0, v) / high) * (height - 10);
  const [from, to] = [Math.max(range[0], onset), Math.min(range[1], cleared ?? range[1])];
  return svg`<svg class="mini" viewBox="0 0 ${width} ${height}" role="img" aria-label=${label}>
    ${from < to ? svg`<rect class="wash" x=${x(from)} y="0" width=${x(to) - x(from)} height=${height - 4}></rect>` : nothing}
    <path class="base" d=${`M0 ${height - 4}h${width}`}></path><path class="trigger" d=${`M${x(0)} 0v${height - 4}`}></path>
    ${wave ? svg`<path class="trace" d=${tracePath(wave, x, y, range)}></path>` : nothing}</svg>`;
}

/** Below this a current is no fault current any more. Unit: A. */
const GONE = 0.05;
/** A current that was gone for so long has been switched off, not dipped. Unit: ms. */
const APART = 15;

/**
 * The stretches of one record in which fault current flowed: the first, and each time a breaker or a try closed on the
 * fault again. Energy is that of the whole current, let through at the head of the district.
 * @param {Wave} wave @param {number} onset @param {number} step what counts as fault current, above what flowed before. Unit: A.
 * @returns {{from: number, to: number, peak: number, energy: number}[]}
 */
export function tries(wave, onset, step) {
  const before = valueAt(wave, onset - 0.001);
  const above = (typeof before === 'number' ? before : 0) + step;
  /** @type {{from: number, to: number, peak: number, energy: number}[]} */
  const all = [];
  let last = null;
  wave.ms.forEach((ms, at) => {
    const v = wave.values[at];
    if (ms < onset - 0.001 || typeof v !== 'number') return;
    const until = wave.ms[at + 1] ?? ms;
    if (v < above) return;
    if (!last || ms - last.to > APART) {
      last = { from: ms, to: until, peak: v, energy: 0 };
      all.push(last);
    }
    last.to = until;
    last.peak = Math.max(last.peak, v);
    last.energy += (v * v * (until - ms)) / 1000;
  });
  return all.filter((it) => it.peak > GONE);
}
