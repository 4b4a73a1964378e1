// @ts-check
// Drawn signs: priorities, the turnout glyph, the bullet bar. No colour carries meaning alone.
import { html, nothing, svg } from './vendor/lit-html/lit-html.js';
import { LEVEL_WORD } from './words.js';

const SHAPES = ['', 'M10 1 L19 10 L10 19 L1 10 Z', 'M10 2 L19 18 L1 18 Z', 'M10 1.5 a8.5 8.5 0 1 0 .01 0 Z'];

/** A priority sign. @param {number} level @param {{flash?: boolean, size?: number, hollow?: boolean}} [how] */
export function sign(level, how = {}) {
  if (!level) return nothing;
  const { flash = false, size = 20, hollow = false } = how;
  const kind = `sign p${level}${flash ? ' flash' : ''}${hollow ? ' hollow' : ''}`;
  return html`<svg class=${kind} width=${size} height=${size} viewBox="0 0 20 20" role="img" aria-label=${LEVEL_WORD[level]}>
    <path d=${SHAPES[level]}></path><text x="10" y=${level === 2 ? 16 : 14.2} text-anchor="middle">${level}</text></svg>`;
}

/** Upper mark: where the machine is. @param {any} t */
export function upperMark(t) {
  if (t.position === 'normal') return 'M5 2v7';
  if (t.position === 'reverse') return 'M13 2v7';
  if (t.position === 'moving') return 'M9 2v1.5M9 5v1.5M9 8v1';
  return '';
}

/** Lower mark: the position that the measured polarity belongs to. @param {any} t */
export function lowerMark(t) {
  const left = t.position === 'normal';
  if (t.frog === 'matches') return left ? 'M5 9v7' : 'M13 9v7';
  if (t.frog === 'wrong') return left ? 'M13 9v7' : 'M5 9v7';
  if (t.frog === 'no-power' || t.frog === 'dead') return 'M6.5 13.5h5';
  return '';
}

/** The vernier: in line is agreement, broken is the wrong rail. @param {any} t @param {number} size */
export function glyph(t, size = 20) {
  return html`<svg class="glyph ${t.frog}" width=${size} height=${size} viewBox="0 0 18 18" aria-hidden="true">
    <rect x=".5" y=".5" width="17" height="17" rx="1"></rect><path class="mid" d="M0 9h18"></path>
    <path class="up" d=${upperMark(t)}></path><path class="low" d=${lowerMark(t)}></path></svg>`;
}

/** A bullet bar: fill is the value, the tick a second value, the line the warning limit. Percent.
 * @param {{fill: number, tick?: number|null, limit?: number|null, width?: number, label: string}} of */
export function bullet({ fill, tick = null, limit = null, width = 150, label }) {
  const at = (v) => Math.round((Math.min(v, 120) / 120) * width);
  return html`<svg class="bullet" viewBox="0 0 ${width} 14" preserveAspectRatio="none" role="img" aria-label=${label}>
    <rect class="track" x="0" y="2" width=${width} height="10"></rect>
    <rect class="fill ${fill >= 80 ? 'over' : ''}" x="0" y="4" width=${at(fill)} height="6"></rect>
    ${limit === null ? nothing : svg`<rect class="limit" x=${at(limit)} y="0" width="1.5" height="14"></rect>`}
    ${tick === null ? nothing : svg`<rect class="tick" x=${at(tick) - 1} y="0" width="2.5" height="14"></rect>`}</svg>`;
}

/** The mark that advances with each message, never with a timer. @param {number} beats @param {boolean} lost */
export function beat(beats, lost) {
  const at = (beats % 8) * 3;
  return html`<svg class="beat" width="28" height="14" viewBox="0 0 28 14" aria-hidden="true">
    <path d="M0 7h28"></path>${lost ? nothing : svg`<path class="pulse" d=${`M${at} 7l1.5-5 2 9 1.5-4`}></path>`}</svg>`;
}
