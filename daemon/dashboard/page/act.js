// @ts-check
// Asking the daemon for something, and who is signed in.

/** @type {{role: string, name: string|null, read_token: boolean}} */
export const session = { role: 'none', name: null, read_token: false };

/** What came back: done, or why not. @typedef {{done: boolean, status: number, code: string, message: string, remedy: string, body: any}} Answer */

/** A key for one thing that is asked for. `randomUUID` is there only on https and localhost. */
const newKey = () => [...crypto.getRandomValues(new Uint8Array(12))].map((it) => it.toString(16).padStart(2, '0')).join('');

/** Asks; an act whose answer is lost is sent once more with its key, so that it is done once.
 * @param {string} method @param {string} path @param {object} [body] @returns {Promise<Answer>} */
export async function ask(method, path, body) {
  if (method !== 'POST' || path === 'session') return send(method, path, body, {});
  const headers = { 'Idempotency-Key': newKey() };
  const answer = await send(method, path, body, headers);
  return answer.code === 'no-contact' ? send(method, path, body, headers) : answer;
}

/** @param {string} method @param {string} path @param {object|undefined} body @param {Record<string, string>} more @returns {Promise<Answer>} */
async function send(method, path, body, more) {
  try {
    const response = await fetch(`/api/v1/${path}`, {
      method,
      headers: body ? { 'Content-Type': 'application/json', ...more } : {},
      body: body ? JSON.stringify(body) : undefined,
      credentials: 'same-origin',
      signal: AbortSignal.timeout(4000),
    });
    const json = await response.json().catch(() => ({}));
    const { error = '', message = '', remedy = '' } = json;
    return { done: response.ok, status: response.status, code: error, message, remedy, body: json };
  } catch {
    const message = 'no contact with the supervisor';
    return { done: false, status: 0, code: 'no-contact', message, remedy: 'trips still work without this page', body: null };
  }
}

/** @param {string} path */
export const get = (path) => ask('GET', path);
/** @param {string} path @param {object} body */
export const post = (path, body) => ask('POST', path, body);

export async function loadSession() {
  const answer = await get('session');
  if (answer.done) Object.assign(session, answer.body);
}

/** @param {string} token @param {string} name */
export async function signIn(token, name) {
  const answer = await post('session', { token, name });
  if (answer.done) Object.assign(session, answer.body);
  return answer;
}

export async function signOut() {
  const answer = await ask('DELETE', 'session');
  if (answer.done) Object.assign(session, answer.body);
  return answer;
}
