// One session with a fault in it: seen, announced, acknowledged, restored; contact lost and found.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { FAULT_WITHIN, keep, openPage, signIn, startBrowser, startProgram } from './program.mjs';

let program;
let browser;
let page;
let noted;

before(async () => {
  program = await startProgram('script');
  browser = await startBrowser();
  ({ page, noted } = await openPage(browser, program.url, '/'));
});

after(async () => {
  await browser?.close();
  await program?.stop();
});

const state = () => page.evaluate(async () => (await fetch('/api/v1/state')).json());

test('the live page names the layout and every district', async () => {
  const s = await state();
  await page.getByText(s.layout.name, { exact: true }).first().waitFor();
  assert.ok(s.districts.length >= 3, 'the demo has at least three districts');
  for (const d of s.districts) await page.locator('.feeder .name', { hasText: new RegExp(`^${d.id}`) }).waitFor();
  await keep(page, 'quiet');
});

test('a fault is shown as a sentence and announced as an alert', async () => {
  // A frog on the wrong rail may be said before anything is cut.
  const off = await page.waitForFunction(() => globalThis.checkrail.store.state?.districts.find((d) => d.power === 'cut')?.id, null, { timeout: FAULT_WITHIN });
  const id = await off.jsonValue();
  // Where a neighbour would not be cut, as on a starved machine, that is worse and said first.
  await page.locator('.headline h1', { hasText: new RegExp(`${id}.* off|off.*${id}|would not be cut`, 'i') }).waitFor();
  await page.waitForFunction(() => document.getElementById('alert').textContent.length > 10);
  await keep(page, 'fault');
});

test('acting asks for the token, and a wrong one is refused in words', async () => {
  await page.getByRole('button', { name: 'Acknowledge', exact: true }).first().click();
  const dialog = page.getByRole('dialog');
  await dialog.getByLabel('Your name or initials').fill('Ines');
  await dialog.getByLabel('Operator token').fill('guess');
  await dialog.getByRole('button', { name: 'Sign in' }).click();
  await dialog.getByRole('alert').filter({ hasText: 'token' }).waitFor();
  await page.keyboard.press('Escape');
  await dialog.waitFor({ state: 'detached' });
  await signIn(page, program.token);
});

test('a restore is refused until the cause is acknowledged, and then held for a second', async () => {
  await page.locator('.headline').getByRole('button', { name: /^Restore .*…$/ }).click();
  const dialog = page.getByRole('dialog');
  const hold = dialog.locator('.hold');
  const open = dialog.getByRole('button', { name: 'Acknowledge', exact: true });
  if (await open.count()) {
    assert.ok(await hold.isDisabled(), 'it waits for the acknowledgement');
    // Browsers tell a disabled button of pointers: nothing may begin.
    await hold.dispatchEvent('pointerdown');
    assert.equal(await dialog.locator('.hold.down').count(), 0);
    await dialog.getByText('Acknowledge the alarm above').waitFor();
  }
  await keep(page, 'restore');
  for (let n = 0; n < 10 && (await open.count()); n += 1) {
    const before = await open.count();
    await open.first().click();
    await page.waitForFunction((n) => document.querySelectorAll('dialog .ask.open').length < n, before);
  }
  await dialog.getByRole('button', { name: 'Hold to restore' }).waitFor();
  // A short press does nothing.
  await hold.click();
  assert.equal(await dialog.count(), 1);
  const box = await hold.boundingBox();
  await page.mouse.move(box.x + 20, box.y + 20);
  await page.mouse.down();
  await page.waitForFunction(() => !document.querySelector('dialog') || document.querySelector('dialog .refusal'), null, { timeout: 5000 });
  await page.mouse.up();
  const refused = await page.locator('dialog .refusal').allInnerTexts();
  // The demo may say that the cause still stands or a contact is hot: then in words, and nothing was switched.
  if (refused.length) assert.match(refused[0], /\w+\. \w+/);
  else await page.waitForFunction(async () => (await (await fetch('/api/v1/state')).json()).districts.every((d) => d.power !== 'cut'));
  await page.keyboard.press('Escape');
});

test('a frozen program is told within three seconds, disables acts, and resumes', async () => {
  program.freeze();
  try {
    await page.locator('.strip', { hasText: 'No contact with the supervisor' }).waitFor({ timeout: 3500 });
    assert.match(await page.locator('h1').first().innerText(), /^Last known: /);
    const acts = page.locator('.alarms button', { hasText: 'Acknowledge' });
    for (const button of await acts.all()) assert.ok(await button.isDisabled());
    await page.waitForFunction(() => document.getElementById('polite').textContent.includes('No contact'), null, { timeout: 8000 });
    await keep(page, 'disconnected');
  } finally {
    program.thaw();
  }
  await page.locator('.strip', { hasText: 'No contact' }).waitFor({ state: 'detached', timeout: 8000 });
  const before = await page.evaluate(() => globalThis.checkrail.store.state.q);
  await page.waitForFunction((q) => globalThis.checkrail.store.state.q > q, before);
});

test('nothing was asked of anybody else and no script failed', () => {
  assert.deepEqual(noted.elsewhere, []);
  assert.deepEqual(noted.errors, []);
});
