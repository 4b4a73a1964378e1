// @ts-check
// One stream for all tabs of a browser: HTTP/1.1 gives a browser six connections to one address, and an open stream
// takes one of them. Tabs say whether they are seen; while none is, the connection is given back.
import { Connection } from './source.js';
import { apply, fromSnap } from './store.js';

/** Nobody has looked for this long: the stream is closed. Unit: ms. */
const UNSEEN = 60_000;
/** A new connection is not made more often than this. Unit: ms. */
const PAUSE = 1000;

/** @type {Map<MessagePort, boolean>} each tab, and whether it is seen */
const tabs = new Map();
/** @type {any} */
let state = null;
/** @type {Connection|null} */
let connection = null;
let openedAt = 0;
/** @type {number|undefined} */
let unseen;

/** @param {any} message */
function tell(message) {
  for (const [port, seen] of tabs) if (seen) port.postMessage(message);
}

function open() {
  if (Date.now() - openedAt < PAUSE) return;
  openedAt = Date.now();
  connection?.close();
  connection = new Connection(take);
}

/** @param {string} event @param {any} data */
function take(event, data) {
  if (event === 'bye' || event === 'error') return tell({ event, ...data });
  if (event === 'snap') state = fromSnap(data);
  else state = apply(state, data);
  // A gap: the next message would not fit either.
  if (!state) {
    openedAt = 0;
    return open();
  }
  return tell({ event, data });
}

/** The whole state as a snapshot, for a tab that joins or comes back. */
function snapshot() {
  const { trends, ...rest } = state;
  return { ...rest, hist: { z: trends } };
}

function close() {
  connection?.close();
  connection = null;
  state = null;
}

/** @param {MessagePort} port @param {any} message */
function hear(port, message) {
  if (message.ask === 'leave') tabs.delete(port);
  else tabs.set(port, message.seen);
  clearTimeout(unseen);
  if (![...tabs.values()].some(Boolean)) {
    unseen = setTimeout(close, UNSEEN);
    return;
  }
  if (message.ask === 'open' || !connection || connection.isClosed()) open();
  else if (message.ask === 'snap' && state) port.postMessage({ event: 'snap', data: snapshot() });
}

addEventListener('connect', (e) => {
  const port = /** @type {MessageEvent} */ (e).ports[0];
  port.addEventListener('message', (it) => hear(port, it.data));
  port.start();
});
