// Every page: in words, within the width, with the keyboard alone, and without serious findings of axe-core.
import assert from 'node:assert/strict';
import { readFile } from 'node:fs/promises';
import { createRequire } from 'node:module';
import { after, before, test } from 'node:test';
import { FAULT_WITHIN, keep, openPage, real, settled, startBrowser, startProgram } from './program.mjs';

const PAGES = ['/live', '/alarms', '/faults', '/turnouts', '/wiring', '/machines', '/report', '/setup', '/about', '/more'];
const WIDTHS = [[320, 700], [390, 844], [1024, 768], [1280, 800]];

let program;
let browser;
let fault;

before(async () => {
  program = await startProgram('alarm');
  browser = await startBrowser();
  const { page, context } = await openPage(browser, program.url, '/live');
  await page.locator('.headline.l1').waitFor({ timeout: FAULT_WITHIN });
  // The record of the fault is there once its window has closed.
  const newest = async () => (await (await fetch(new URL('/api/v1/faults', program.url))).json()).faults[0]?.fault;
  // On a busy machine the first alarm of the demo may be a reading that is late, and the fault comes after it.
  const until = Date.now() + FAULT_WITHIN;
  while (!(fault = await newest()) && Date.now() < until) await page.waitForTimeout(250);
  await context.close();
});

after(async () => {
  await browser?.close();
  await program?.stop();
});

const all = () => (fault ? [...PAGES, `/faults/${fault}`] : PAGES);

test('there is a fault to look at', () => assert.ok(fault));

for (const [width, height] of WIDTHS) {
  test(`no page is wider than ${width} px`, async () => {
    for (const path of all()) {
      const { page, noted, context } = await openPage(browser, program.url, path, { viewport: { width, height } });
      await settled(page);
      const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
      assert.ok(over <= 0, `${path} is ${over} px too wide`);
      assert.deepEqual(noted.elsewhere, []);
      assert.deepEqual(noted.errors, [], path);
      await keep(page, `${path.slice(1).replace('/', '-')}-${width}`);
      await context.close();
    }
  });
}

for (const colorScheme of ['light', 'dark']) {
  test(`axe-core finds nothing serious on any page, ${colorScheme}`, async () => {
    const axe = await readFile(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
    for (const path of all()) {
      const { page, context } = await openPage(browser, program.url, path, { colorScheme, reducedMotion: 'reduce' });
      await settled(page);
      await page.evaluate(axe);
      for (const [width, height] of [[1280, 800], [390, 844]]) {
        await page.setViewportSize({ width, height });
        const { violations } = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ['violations'] }));
        const bad = violations.filter((v) => v.impact === 'serious' || v.impact === 'critical');
        assert.deepEqual(bad.map((v) => `${path} ${width} ${v.id}: ${v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160)).join(' | ')}`), []);
      }
      await context.close();
    }
  });
}

test('a restore is reached, read and left with the keyboard alone', async () => {
  const { page, context } = await openPage(browser, program.url, '/live');
  await settled(page);
  await page.keyboard.press('Tab');
  assert.equal(await page.evaluate(() => document.activeElement?.className), 'skip');
  await page.keyboard.press('2');
  await page.waitForURL('**/alarms');
  await page.keyboard.press('1');
  await page.waitForURL('**/live');
  await page.keyboard.press('?');
  await page.getByRole('dialog').waitFor();
  await page.keyboard.press('Escape');
  await page.getByRole('dialog').waitFor({ state: 'detached' });
  await page.keyboard.press('j');
  const chosen = await page.locator('.a-detail h2').innerText();
  assert.ok(chosen.length > 0);
  const cell = page.locator('turnout-cells button[tabindex="0"]').first();
  await cell.focus();
  await page.keyboard.press('ArrowRight');
  assert.equal(await page.evaluate(() => document.activeElement?.tagName), 'BUTTON');
  assert.equal(await page.locator('turnout-cells').first().locator('button[tabindex="0"]').count(), 1, 'one tab stop a group');
  await context.close();
});

test('with reduced motion nothing flashes', async () => {
  const { page, context } = await openPage(browser, program.url, '/alarms', { reducedMotion: 'reduce' });
  await settled(page);
  const moving = await page.evaluate(() => document.getAnimations().filter((a) => a.playState === 'running').length);
  assert.equal(moving, 0);
  await context.close();
});

test('a first visit moves less than 100 kB', async () => {
  const context = await browser.newContext();
  const page = await context.newPage();
  const cdp = await context.newCDPSession(page);
  let bytes = 0;
  await cdp.send('Network.enable');
  cdp.on('Network.loadingFinished', (e) => (bytes += e.encodedDataLength));
  await page.goto(new URL('/live', program.url).href);
  await page.locator('.feeder').first().waitFor();
  await settled(page);
  console.log(`first visit: ${(bytes / 1000).toFixed(1)} kB in files`);
  assert.ok(bytes > 0 && bytes < 100_000, `${bytes} bytes`);
  await context.close();
});

test('an empty layout says what to do next', { skip: real && 'only the preview can be empty' }, async () => {
  const empty = await startProgram('empty');
  const { page, context } = await openPage(browser, empty.url, '/live', { viewport: { width: 390, height: 844 } });
  await page.locator('h1', { hasText: 'Nothing is wired yet' }).waitFor();
  assert.equal(await page.locator('.feeder').count(), 0);
  await context.close();
  await empty.stop();
});

test('400 turnouts at ten messages a second cost little script', { skip: real && 'only the preview has 400' }, async () => {
  const many = await startProgram('quiet', { DISTRICTS: '10', TURNOUTS: '400' });
  const { page, context } = await openPage(browser, many.url, '/turnouts');
  await page.waitForFunction(() => globalThis.checkrail.measured.length > 15, null, { timeout: 15_000 });
  const taken = await page.evaluate(() => [...globalThis.checkrail.measured].sort((a, b) => a - b));
  const median = taken[Math.floor(taken.length / 2)];
  console.log(`400 turnouts: ${taken.length} drawings, median ${median?.toFixed(2)} ms, 95 % ${taken[Math.floor(taken.length * 0.95)]?.toFixed(2)} ms`);
  assert.ok(taken.length > 5 && median < 10, `${median} ms`);
  await context.close();
  await many.stop();
});
