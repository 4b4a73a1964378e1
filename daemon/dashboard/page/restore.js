// @ts-check
// Restoring a district: what has to be answered first, a look at the cause, and a button that is held for a second.
import { html, nothing } from './vendor/lit-html/lit-html.js';
import { repeat } from './vendor/lit-html/directives/repeat.js';
import { post } from './act.js';
import { open, refusal, request, signedIn } from './dialogs.js';
import { sign } from './signs.js';
import { store } from './store.js';
import { isOpen, level, thin } from './words.js';

/** Unit: ms. */
const HOLD = 1000;
/** A key is pressed again within this. Unit: ms. */
const CONFIRM = 4000;

/** The state on the screen, as the daemon counts it. */
const stamp = () => `${store.state.epoch}.${store.state.q}`;

/** Restores after a look at the cause: held for a second, or Enter twice. @param {number} at a district */
export function restoreDialog(at) {
  signedIn(() => {
    const id = store.state.districts[at].id;
    const held = new Held();
    const asked = new Asked(at);
    let answer = null;
    // What the person looks at now: if the district is cut again for another cause meanwhile, the daemon says so.
    let seen = stamp();
    const send = async (again, close) => {
      answer = await post('restore', { district: id, confirm: true, blind: answer?.code === 'blind', seen });
      if (answer.code === 'moved-on') seen = stamp();
      if (answer.done) close();
      else again();
    };
    const dialog = open(`Restore ${id}?`, (again, close) => {
      held.done = () => send(again, close);
      held.again = again;
      return body(at, asked, held, answer, close);
    });
    dialog.classList.add('steady');
    // Left with Esc while the button is held: nothing may follow.
    dialog.addEventListener('close', () => held.forget());
  });
}

/** @param {number} at @param {Asked} asked @param {Held} held @param {any} answer @param {() => void} close */
function body(at, asked, held, answer, close) {
  const s = store.state;
  const d = s.districts[at];
  const wrong = s.turnouts.filter((t) => t.district === at && t.frog === 'wrong');
  const rows = asked.rows(s.alarms);
  const left = rows.filter((it) => it.open).length;
  const on = d.power === 'on';
  const blocked = on || left > 0 || store.isLost();
  if (blocked) held.forget();
  const still = wrong.map((t) => html`<li>${t.id} frog is still on ${t.measured === 'A' || t.measured === 'B' ? `conductor ${t.measured}` : 'the wrong rail'}</li>`);
  return html`
    <p><strong>${on ? 'It is on.' : `It was cut: ${thin(d.cause_text ?? 'no cause is recorded')}.`}</strong></p>
    ${repeat(rows, (it) => it.alarm.id, askedRow)}
    ${still.length ? html`<ul>${still}</ul>` : nothing}
    <ol class="quiet"><li>Look: is the cause gone, and are hands off the track?</li><li>Smell: wheels, rails and machines may be hot.</li><li>Restore.</li></ol>
    ${refusal(answer)}
    <div class="buttons"><button @click=${close}>Leave it off</button>
      <button class="act hold ${held.down ? 'down' : ''}" ?disabled=${blocked}
        @pointerdown=${() => blocked || held.press()} @pointerup=${() => held.letGo()} @pointerleave=${() => held.letGo()} @pointercancel=${() => held.letGo()}
        @contextmenu=${(e) => e.preventDefault()} @click=${(e) => held.click(e)}>${holdWords(held, answer, left, on)}</button></div>
    <p class="quiet small" aria-live="polite">${on || store.isLost() ? '' : left ? 'Acknowledge the alarm above, then hold the button for one second.' : 'Hold the button for one second, or press Enter twice.'}</p>`;
}

/** An answered one keeps its button, and so the keyboard its place. @param {{alarm: any, open: boolean}} row */
const askedRow = ({ alarm: a, open: left }) => html`<p class="ask ${left ? 'open' : ''}">${sign(level(a.priority))}<span>${thin(a.text)}</span><button
  aria-disabled=${left ? 'false' : 'true'} @click=${() => left && request('acknowledge', { alarm: a.alarm, subject: a.subject })}>${left ? 'Acknowledge' : 'Answered'}</button></p>`;

/** The alarms that have to be answered, in the order in which they came up here. None leaves and none comes between: a
 * press meets the alarm that it was meant for. */
class Asked {
  /** @param {number} at the district */
  constructor(at) {
    this.at = at;
    /** @type {Map<string, any>} */ this.known = new Map();
  }

  /** @param {any[]} alarms @returns {{alarm: any, open: boolean}[]} */
  rows(alarms) {
    const left = new Set();
    for (const a of alarms) {
      if (a.district !== this.at || !a.latched || !isOpen(a)) continue;
      left.add(a.id);
      this.known.set(a.id, a);
    }
    return [...this.known.values()].map((alarm) => ({ alarm, open: left.has(alarm.id) }));
  }
}

/** @param {Held} held @param {any} answer @param {number} left alarms to acknowledge @param {boolean} on */
function holdWords(held, answer, left, on) {
  if (on) return 'It is on';
  if (store.isLost()) return 'No contact';
  if (left) return 'Acknowledge first';
  if (held.armed) return 'Press again to restore';
  if (held.down) return 'Keep holding…';
  return answer?.code === 'blind' ? 'Restore without a reading' : 'Hold to restore';
}

/** A button that acts when held for a second with a pointer, or pressed twice with a key. */
class Held {
  constructor() {
    this.down = false;
    this.armed = false;
    this.done = () => {};
    this.again = () => {};
    /** @type {number|undefined} */ this.timer = undefined;
  }

  press() {
    this.down = true;
    this.timer = setTimeout(() => {
      this.down = false;
      this.done();
    }, HOLD);
    this.again();
  }

  /** What was begun does not count any more: something came that has to be answered first. */
  forget() {
    clearTimeout(this.timer);
    this.down = false;
    this.armed = false;
  }

  letGo() {
    if (!this.down) return;
    clearTimeout(this.timer);
    this.down = false;
    this.again();
  }

  /** @param {MouseEvent} e */
  click(e) {
    // The click that ends a press with a pointer is none with a key; that one has no count.
    if (e.detail !== 0) return;
    if (this.armed) {
      this.forget();
      this.done();
      return;
    }
    this.armed = true;
    this.again();
    this.timer = setTimeout(() => {
      this.armed = false;
      this.again();
    }, CONFIRM);
  }
}
