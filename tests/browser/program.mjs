// Starts the program under test and a browser. `CHECKRAIL_BIN` is the built program; without it the dashboard's preview
// is used (`PREVIEW_BIN`), which shows invented data and can be put into any state.
import { spawn } from 'node:child_process';
import { mkdtemp, mkdir, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { chromium } from 'playwright-core';

const here = dirname(fileURLToPath(import.meta.url));
const PREVIEW = process.env.PREVIEW_BIN ?? join(process.env.CARGO_TARGET_DIR ?? join(here, '../../target'), 'debug/examples/preview');

/** The program under test is the real one. */
export const real = Boolean(process.env.CHECKRAIL_BIN);

/** Time in which the demo has its first fault. Unit: ms. */
export const FAULT_WITHIN = real ? 70_000 : 10_000;

const FLAGS = ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'];

/** Starts the program. `state` is for the preview; the demo makes its own faults. */
export async function startProgram(state = 'script', env = {}) {
  const data = await mkdtemp(join(tmpdir(), 'checkrail-'));
  const [bin, args] = real ? [process.env.CHECKRAIL_BIN, ['demo', ...(process.env.CHECKRAIL_ARGS?.split(' ') ?? [])]] : [PREVIEW, [state]];
  const child = spawn(bin, args, { env: { ...process.env, ...env, XDG_STATE_HOME: data }, cwd: data, stdio: ['ignore', 'pipe', 'pipe'] });
  // A script that fails on its way leaves nothing running.
  process.on('exit', () => child.kill('SIGKILL'));
  let text = '';
  const told = new Promise((done, failed) => {
    const hear = (chunk) => {
      text += chunk;
      const url = text.match(/http:\/\/127\.0\.0\.1:\d+\//)?.[0];
      const token = text.match(/token[^\n:]*:\s*(\S+)/i)?.[1];
      if (url && token) done({ url, token });
    };
    child.stdout.on('data', hear);
    child.stderr.on('data', hear);
    child.on('error', failed);
    child.on('exit', (code) => failed(new Error(`the program ended with ${code}: ${text}`)));
    setTimeout(() => failed(new Error(`no address within 15 s: ${text}`)), 15_000).unref();
  });
  const { url, token } = await told;
  // A test that fails before it has stopped its program must not keep the run alive.
  for (const handle of [child, child.stdout, child.stderr]) handle.unref();
  const stop = () =>
    new Promise((done) => {
      if (child.exitCode !== null) return done();
      child.ref();
      child.on('exit', done);
      child.kill('SIGINT');
      setTimeout(() => child.kill('SIGKILL'), 10_000).unref();
    }).finally(() => rm(data, { recursive: true, force: true }));
  return { url, token, stop, freeze: () => child.kill('SIGSTOP'), thaw: () => child.kill('SIGCONT') };
}

/** A browser with nothing remembered. */
export const startBrowser = (flags = []) => chromium.launch({ executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium', args: [...FLAGS, ...flags] });

/** A page that notes errors and requests to anywhere else. */
export async function openPage(browser, url, path, options = {}) {
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 }, ...options });
  const page = await context.newPage();
  const noted = { errors: [], elsewhere: [] };
  const origin = new URL(url).origin;
  page.on('pageerror', (error) => noted.errors.push(error.message));
  page.on('console', (message) => message.type() === 'error' && !/Failed to load resource|ERR_/.test(message.text()) && noted.errors.push(message.text()));
  page.on('request', (request) => !request.url().startsWith(origin) && !request.url().startsWith('data:') && noted.elsewhere.push(request.url()));
  await page.goto(new URL(path, url).href);
  await page.locator('h1').first().waitFor();
  return { page, noted, context };
}

/** Waits until the page has drawn a few messages, and what it asked for beside the stream has come. */
export async function settled(page) {
  await page.waitForFunction(() => globalThis.checkrail.store.beats > 3);
  await page.waitForFunction(() => !/^Reading/.test(document.querySelector('h1')?.textContent ?? ''));
}

/** Signs in through the page. */
export async function signIn(page, token) {
  await page.getByRole('button', { name: 'Sign in' }).first().click();
  await page.getByLabel('Your name or initials').fill('Ines');
  await page.getByLabel('Operator token').fill(token);
  await page.getByRole('dialog').getByRole('button', { name: 'Sign in' }).click();
  await page.getByRole('button', { name: 'Ines' }).waitFor();
}

/** Keeps a picture for whoever looks at the output of a run. */
export async function keep(page, name) {
  const out = process.env.SCREENSHOTS ?? join(here, 'out');
  await mkdir(out, { recursive: true });
  await page.screenshot({ path: join(out, `${name}.png`) });
}
