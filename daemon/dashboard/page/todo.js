// @ts-check
// What to do about a fault: the first suspect and the steps of its record, for the sentence on top.
import { get } from './act.js';
import { percent } from './words.js';

/** A record is not complete before its window is over; asked again after this, then seldomer. Unit: ms. */
const AGAIN = 1000;
const AGAIN_MOST = 60_000;

/** @type {{fault: number|null, next: number, pause: number, body: any}} */
const asked = { fault: null, next: 0, pause: AGAIN, body: null };

/** @param {number} fault @param {() => void} draw */
async function load(fault, draw) {
  if (asked.fault !== fault) Object.assign(asked, { fault, pause: AGAIN, body: null });
  asked.next = Date.now() + asked.pause;
  asked.pause = Math.min(2 * asked.pause, AGAIN_MOST);
  const answer = await get(`faults/${fault}`);
  if (asked.fault !== fault || !answer.done) return;
  asked.body = answer.body;
  draw();
}

/** A record may begin so long before its alarm is raised. Unit: ms. */
const BEFORE = 2000;

/** @type {{of: string, next: number, fault: number|null}} */
const looked = { of: '', next: 0, fault: null };

/** The newest fault of a district in which nothing was cut, where an alarm tells of it. @param {{district: string, raised: number}} about @param {() => void} draw @returns {number|null} */
export function newest(about, draw) {
  const of = `${about.district} ${about.raised}`;
  if (looked.of !== of) Object.assign(looked, { of, next: 0, fault: null });
  if (looked.fault === null && looked.next < Date.now()) {
    looked.next = Date.now() + 2 * AGAIN;
    get(`faults?district=${encodeURIComponent(about.district)}&limit=1`).then((answer) => {
      const it = answer.done ? answer.body.faults[0] : null;
      if (looked.of !== of || !it || it.trigger_us / 1000 < about.raised - BEFORE) return;
      looked.fault = it.fault;
      draw();
    });
  }
  return looked.fault;
}

/** Who is suspected first and what to do; nothing until the record tells. @param {number} fault @param {() => void} draw @returns {string[]} */
export function todo(fault, draw) {
  const known = asked.fault === fault ? asked.body : null;
  if (!known?.complete && (asked.fault !== fault || asked.next < Date.now())) load(fault, draw);
  return known ? steps(known) : [];
}

/** @param {any} f a fault's record @returns {string[]} */
export function steps(f) {
  const first = f.suspects[0];
  const who = first && first.subject !== 'not-explained' ? [`First suspect: ${first.text}, ${percent(Math.round(first.share * 100))}.`] : [];
  // What is done, that it is cut, stands in the sentence already.
  return f.complete ? [...who, ...f.advice.slice(f.advice_done)] : [];
}
