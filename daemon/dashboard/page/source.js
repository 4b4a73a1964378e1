// @ts-check
// Where the messages come from: the stream that all tabs share, or where a browser has no shared workers, one's own.

/** A page nobody sees gives its own connection back after this long. Unit: ms. */
const HIDDEN_AFTER = 60_000;

/** Patience for the whole state. Unit: ms. */
const PATIENCE = 4000;

/** @typedef {(event: string, data: any) => void} Heard */

/** One connection: first the whole state by a request of its own, since only that comes compressed, then the stream from
 * there on. Where the state cannot be had, the stream begins with it. */
export class Connection {
  /** @param {Heard} heard */
  constructor(heard) {
    this.heard = heard;
    /** @type {EventSource|null} */ this.source = null;
    this.over = false;
    this.begin();
  }

  async begin() {
    const snap = await whole();
    if (this.over) return;
    if (snap) this.heard('snap', snap);
    // The state may not fit what the hearer has: then it began anew.
    if (!this.over) this.follow(snap ? `?after=${snap.epoch}.${snap.q}` : '');
  }

  /** @param {string} from */
  follow(from) {
    const source = new EventSource(`/api/v1/stream${from}`);
    source.addEventListener('snap', (e) => this.heard('snap', JSON.parse(e.data)));
    source.addEventListener('d', (e) => this.heard('d', JSON.parse(e.data)));
    source.addEventListener('bye', () => this.heard('bye', {}));
    source.addEventListener('error', () => this.heard('error', { closed: source.readyState === EventSource.CLOSED }));
    this.source = source;
  }

  isClosed() {
    return this.over || this.source?.readyState === EventSource.CLOSED;
  }

  close() {
    this.over = true;
    this.source?.close();
  }
}

/** The whole state, or null. */
async function whole() {
  try {
    const response = await fetch('/api/v1/state?trends=true', { credentials: 'same-origin', cache: 'no-store', signal: AbortSignal.timeout(PATIENCE) });
    return response.ok ? await response.json() : null;
  } catch {
    return null;
  }
}

/** @param {Heard} heard */
export function connect(heard) {
  try {
    if (typeof SharedWorker === 'function') return new Shared(heard);
  } catch {
    // A browser that forbids workers still may open a stream.
  }
  return new Own(heard);
}

class Shared {
  /** @param {Heard} heard */
  constructor(heard) {
    const worker = new SharedWorker(new URL('./stream-worker.js', import.meta.url), { type: 'module', name: 'checkrail-stream' });
    this.port = worker.port;
    this.failed = false;
    this.port.addEventListener('message', (e) => heard(e.data.event, e.data.data ?? e.data));
    worker.addEventListener('error', () => {
      // The worker cannot be had: this tab follows by itself.
      this.failed = true;
      this.own ??= new Own(heard);
      this.own.open();
    });
    this.port.start();
    addEventListener('pagehide', () => this.port.postMessage({ ask: 'leave' }));
    addEventListener('pageshow', (e) => { if (e.persisted) this.ask('snap'); });
  }

  /** @param {'snap'|'open'|'seen'} what */
  ask(what) {
    if (this.own) return what === 'open' ? this.own.open() : this.own.seen(!document.hidden);
    this.port.postMessage({ ask: what, seen: !document.hidden });
    return undefined;
  }

  /** Joins, and gets the whole state. */
  start() { this.ask('snap'); }
  /** Begins anew. */
  open() { this.ask('open'); }
  /** @param {boolean} visible */
  seen(visible) { this.ask(visible ? 'snap' : 'seen'); }
}

class Own {
  /** @param {Heard} heard */
  constructor(heard) {
    this.heard = heard;
    /** @type {Connection|null} */ this.connection = null;
    /** @type {number|undefined} */ this.timer = undefined;
  }

  start() { this.open(); }

  open() {
    this.connection?.close();
    this.connection = new Connection(this.heard);
  }

  /** @param {boolean} visible */
  seen(visible) {
    clearTimeout(this.timer);
    if (!visible) this.timer = setTimeout(() => this.connection?.close(), HIDDEN_AFTER);
    else this.open();
  }
}
