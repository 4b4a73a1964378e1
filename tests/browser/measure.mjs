// What the page costs in Chromium: script and main-thread time for each message, the first visit, and the heap while it
// is left open. It prints figures and asserts nothing: `node measure.mjs`, with MINUTES, TURNOUTS, PREVIEW_BIN.
import { connect, createServer } from 'node:net';
import { openPage, settled, startBrowser, startProgram } from './program.mjs';

const MINUTES = Number(process.env.MINUTES ?? 2);
const TURNOUTS = process.env.TURNOUTS ?? '400';
/** Messages that are measured in one row. */
const MESSAGES = 100;

const program = await startProgram('busy', { DISTRICTS: '10', TURNOUTS });
const browser = await startBrowser();
console.log(`${TURNOUTS} turnouts, 60 of them changing with each of 10 messages a second. Chromium ${browser.version()}, headless, no GPU.`);

/** Counters of the browser. Unit: s, bytes. */
const counters = async (cdp) => Object.fromEntries((await cdp.send('Performance.getMetrics')).metrics.map((it) => [it.name, it.value]));
const ms = (seconds) => (seconds * 1000).toFixed(2);
const at = (list, share) => list.toSorted((a, b) => a - b)[Math.min(list.length - 1, Math.floor(list.length * share))];

/** Script and main-thread time by message, from the browser's own counters, sampled after each message. */
async function perMessage(path, rate) {
  const { page, context } = await openPage(browser, program.url, path, { viewport: { width: 1440, height: 900 } });
  await settled(page);
  const cdp = await context.newCDPSession(page);
  await cdp.send('Performance.enable');
  await cdp.send('Emulation.setCPUThrottlingRate', { rate });
  const opening = await page.evaluate(() => [...globalThis.checkrail.measured]);
  await page.waitForTimeout(1500);
  const drawn = await page.evaluate(() => { globalThis.checkrail.measured.length = 0; return globalThis.checkrail.store.beats; });
  const first = await counters(cdp);
  await page.waitForFunction((n) => globalThis.checkrail.store.beats >= n, drawn + MESSAGES, { polling: 500, timeout: 60_000 });
  const last = await counters(cdp);
  const { beats, draws, taken } = await page.evaluate((from) => ({ beats: globalThis.checkrail.store.beats - from, draws: [...globalThis.checkrail.measured], taken: globalThis.checkrail.taken?.() ?? [] }), drawn);
  const each = (name) => ms((last[name] - first[name]) / beats);
  console.log(`${path.padEnd(10)} ${rate} x CPU: a message costs script ${each('ScriptDuration')} ms, style ${each('RecalcStyleDuration')} ms, layout ${each('LayoutDuration')} ms, task ${each('TaskDuration')} ms (means of ${beats}); handling a message median ${at(taken, 0.5)?.toFixed(2)} ms, 95 % ${at(taken, 0.95)?.toFixed(2)} ms; first drawing ${Math.max(...opening).toFixed(1)} ms; a drawing (${draws.length}) median ${at(draws, 0.5)?.toFixed(2)} ms, 95 % ${at(draws, 0.95)?.toFixed(2)} ms, longest ${at(draws, 1)?.toFixed(2)} ms`);
  await context.close();
}

/** What passes between a browser and the daemon, headers and all. */
async function counted() {
  const { hostname, port } = new URL(program.url);
  const count = { down: 0 };
  const proxy = createServer((near) => {
    const far = connect(Number(port), hostname);
    far.on('data', (bytes) => { count.down += bytes.length; });
    for (const [from, to] of [[near, far], [far, near]]) from.pipe(to).on('error', () => from.destroy());
  });
  await new Promise((done) => proxy.listen(0, hostname, done));
  return { count, url: `http://${hostname}:${proxy.address().port}/`, stop: () => proxy.close() };
}

/** Bytes over the wire on a first visit, by whichever request, and when something was painted. */
async function firstVisit(path) {
  const wire = await counted();
  const context = await browser.newContext();
  const page = await context.newPage();
  await page.goto(new URL(path, wire.url).href);
  await page.locator('.feeder, .matrix').first().waitFor();
  const bytes = wire.count.down;
  await settled(page);
  const paint = await page.evaluate(() => performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? NaN);
  const files = await page.evaluate(() => performance.getEntriesByType('resource').concat(performance.getEntriesByType('navigation')).reduce((sum, it) => sum + it.transferSize, 0));
  console.log(`first visit of ${path}: ${(bytes / 1000).toFixed(1)} kB in all until the state is drawn, ${(files / 1000).toFixed(1)} kB of them files of the page; first paint after ${paint.toFixed(0)} ms`);
  await context.close();
  wire.stop();
}

/** Live heap after collections, over the minutes that a page is left open. */
async function heap() {
  const { page, context } = await openPage(browser, program.url, '/live', { viewport: { width: 1440, height: 900 } });
  await settled(page);
  const cdp = await context.newCDPSession(page);
  await cdp.send('HeapProfiler.enable');
  const used = [];
  for (let n = 0; n <= MINUTES * 2; n += 1) {
    await cdp.send('HeapProfiler.collectGarbage');
    used.push((await cdp.send('Runtime.getHeapUsage')).usedSize / 1e6);
    if (n < MINUTES * 2) await page.waitForTimeout(30_000);
  }
  console.log(`heap each 30 s: ${used.map((it) => it.toFixed(2)).join(' ')} MB`);
  await context.close();
}

for (const path of ['/live', '/turnouts']) await firstVisit(path);
for (const rate of [1, 4]) for (const path of ['/turnouts', '/live']) await perMessage(path, rate);
await heap();
await browser.close();
await program.stop();
