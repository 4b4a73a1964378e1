// What a device does by itself: sound, silence, one stream for its tabs, keys, fingers, large text.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { keep, openPage, real, settled, signIn, startBrowser, startProgram } from './program.mjs';

let program;
let browser;
const only = { skip: real && 'needs a state that does not change' };

before(async () => {
  if (real) return;
  program = await startProgram('alarm', { DISTRICTS: '10', TURNOUTS: '400' });
  browser = await startBrowser();
});

after(async () => {
  await browser?.close();
  await program?.stop();
});

const alarmed = async (page) => { await settled(page); await page.locator('.headline.l1').waitFor(); };
const sounded = (page) => page.evaluate(() => globalThis.checkrail.sound.sounded.map((it) => it.pulses));

test('only a device that is marked sounds, ten pulses for priority 1, and says when it cannot yet', only, async () => {
  const { page, context } = await openPage(browser, program.url, '/live');
  await alarmed(page);
  assert.deepEqual(await sounded(page), []);
  await page.getByRole('button', { name: 'Sound off' }).click();
  await page.waitForFunction(() => globalThis.checkrail.sound.sounded.some((it) => it.pulses === 10));
  assert.equal((await sounded(page))[0], 1, 'one pulse says that it sounds');
  await page.reload();
  await page.getByRole('button', { name: /Sound off – tap to hear alarms/ }).waitFor();
  await page.getByRole('button', { name: /tap to hear alarms/ }).click();
  await page.getByRole('button', { name: 'Sound on' }).waitFor();
  await context.close();
});

test('silence reaches the other screens and is no acknowledgement', only, async () => {
  const here = await openPage(browser, program.url, '/live');
  const there = await openPage(browser, program.url, '/alarms');
  await alarmed(here.page);
  await settled(there.page);
  await signIn(here.page, program.token);
  await here.page.getByRole('button', { name: 'Silence' }).click();
  await there.page.getByRole('button', { name: /^Silent until \d\d:\d\d:\d\d$/ }).waitFor();
  const { alarms } = await (await fetch(new URL('/api/v1/alarms', program.url))).json();
  assert.ok(alarms.every((a) => a.state === 'unacknowledged'));
  await here.context.close();
  await there.context.close();
});

test('all tabs of a browser share one stream', only, async () => {
  const streams = async () => Number((await (await fetch(new URL('/metrics', program.url))).text()).match(/^checkrail_streams (\d+)/m)?.[1]);
  // Those of the pages before are given up within a moment.
  while ((await streams()) > 0) await new Promise((done) => setTimeout(done, 100));
  const { page, context } = await openPage(browser, program.url, '/live');
  await settled(page);
  const second = await context.newPage();
  await second.goto(new URL('/alarms', program.url).href);
  await settled(second);
  await page.bringToFront();
  await settled(page);
  assert.equal(await streams(), 1);
  const beats = await page.evaluate(() => globalThis.checkrail.store.beats);
  await page.waitForFunction((n) => globalThis.checkrail.store.beats > n + 2, beats);
  await context.close();
});

test('the matrix is one tab stop; Home and End are of a district', only, async () => {
  const { page, context } = await openPage(browser, program.url, '/turnouts', { viewport: { width: 1440, height: 900 } });
  await settled(page);
  const stops = page.locator('.districts button.cell[tabindex="0"]');
  assert.equal(await stops.count(), 1);
  await stops.focus();
  const name = () => page.evaluate(() => document.activeElement?.getAttribute('aria-label')?.split(',')[0]);
  assert.equal(await name(), 'T1');
  for (const [key, want] of [['End', 'T40'], ['ArrowRight', 'T41'], ['End', 'T80'], ['Home', 'T41'], ['ArrowLeft', 'T40'], ['Home', 'T1']]) {
    await page.keyboard.press(key);
    assert.equal(await name(), want, key);
  }
  await page.keyboard.press('ArrowDown');
  assert.notEqual(await name(), 'T1');
  assert.equal(await stops.count(), 1);
  await page.keyboard.press('Enter');
  assert.equal(await page.locator('.a-detail h2').innerText(), await name());
  await context.close();
});

test('a finger on a small cell gets it and its neighbours large', only, async () => {
  const { page, context } = await openPage(browser, program.url, '/turnouts', { viewport: { width: 390, height: 844 }, hasTouch: true });
  await settled(page);
  await page.getByRole('button', { name: /^T10,/ }).tap();
  const dialog = page.getByRole('dialog');
  assert.equal(await dialog.locator('.big').count(), 9);
  for (const box of await Promise.all((await dialog.locator('.big').all()).map((it) => it.boundingBox()))) assert.ok(box.width >= 56 && box.height >= 56);
  await dialog.getByRole('button', { name: /^T11,/ }).tap();
  await dialog.getByRole('button', { name: 'Show T11' }).tap();
  assert.equal(await page.locator('.a-detail h2').innerText(), 'T11');
  await context.close();
});

test('single keys can be switched off and stay off on this device', only, async () => {
  const { page, context } = await openPage(browser, program.url, '/setup');
  await settled(page);
  await page.getByLabel('Single-key shortcuts').uncheck();
  await page.getByLabel('Theme').selectOption('dark');
  await page.reload();
  await settled(page);
  await page.keyboard.press('1');
  assert.match(page.url(), /\/setup$/);
  assert.equal(await page.evaluate(() => document.documentElement.dataset.theme), 'dark');
  await page.getByLabel('Single-key shortcuts').check();
  await page.locator('h1').click();
  await page.keyboard.press('1');
  await page.waitForURL('**/live');
  await context.close();
});

test('with text twice as large nothing is wider than the screen', only, async () => {
  // As the reader's own setting of the browser, not as a zoom.
  const large = await startBrowser(['--blink-settings=defaultFontSize=32']);
  for (const path of ['/live', '/alarms', '/turnouts', '/faults', '/wiring', '/wiring/quarry', '/setup', '/about']) {
    const { page, context } = await openPage(large, program.url, path, { viewport: { width: 640, height: 900 } });
    await settled(page);
    assert.equal(await page.evaluate(() => getComputedStyle(document.documentElement).fontSize), '32px');
    const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    await keep(page, `large-text-${path.slice(1).replace('/', '-')}`);
    assert.ok(over <= 0, `${path} is ${over} px too wide`);
    await context.close();
  }
  await large.close();
});

test('a row of power opens its district with the last faults, and a phone folds what is in order', only, async () => {
  const few = await startProgram('alarm');
  const { page, context } = await openPage(browser, few.url, '/live', { viewport: { width: 390, height: 844 } });
  await alarmed(page);
  await page.locator('.feeder .name', { hasText: 'junction' }).click();
  await page.locator('.feeder .sheet a', { hasText: '27' }).first().waitFor();
  const fold = page.getByRole('group', { name: 'Turnouts of harbour' });
  assert.equal(await fold.locator('.cell:visible').count(), 0);
  await fold.getByRole('button', { name: '4 in order' }).click();
  assert.equal(await fold.locator('.cell:visible').count(), 4);
  assert.ok((await page.getByRole('group', { name: 'Turnouts of junction' }).locator('.cell:visible').count()) > 0, 'exceptions are not folded');
  await context.close();
  await few.stop();
});
