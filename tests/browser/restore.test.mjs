// The restore dialog while things go on: a press meets the alarm that it was meant for, and what came must be answered.
import assert from 'node:assert/strict';
import { after, afterEach, before, beforeEach, test } from 'node:test';
import { keep, openPage, real, settled, signIn, startBrowser, startProgram } from './program.mjs';

const only = { skip: real && 'needs a state that does not change' };

let browser;
let program;
let page;
let context;
let dialog;

before(async () => {
  browser = await startBrowser();
});
after(() => browser?.close());

beforeEach(async () => {
  if (real) return;
  program = await startProgram('alarm');
  ({ page, context } = await openPage(browser, program.url, '/live'));
  await settled(page);
  await signIn(page, program.token);
  await page.getByRole('button', { name: /^Restore .*…$/ }).first().click();
  dialog = page.getByRole('dialog');
  await dialog.locator('.ask.open').first().waitFor();
});
afterEach(async () => {
  await context?.close();
  await program?.stop();
});

/** Another alarm of the same district, in front of all others. */
const comes = (id) =>
  page.evaluate((id) => {
    const { store } = globalThis.checkrail;
    const of = store.state.alarms.find((a) => a.latched);
    store.state = { ...store.state, alarms: [{ ...of, state: 'unacknowledged', id, subject: id, text: `${id} came now` }, ...store.state.alarms] };
    store.tell({ urgent: true, message: false });
  }, id);

/** And is answered by somebody else. */
const goes = (id) =>
  page.evaluate((id) => {
    const { store } = globalThis.checkrail;
    store.state = { ...store.state, alarms: store.state.alarms.filter((a) => a.id !== id) };
    store.tell({ urgent: true, message: false });
  }, id);

const centre = async (locator) => {
  const box = await locator.boundingBox();
  return [box.x + box.width / 2, box.y + box.height / 2];
};

test('a press meets the alarm that it began on, whatever comes meanwhile', only, async () => {
  const pressed = await dialog.locator('.ask.open span').first().innerText();
  const button = dialog.locator('.ask button').first();
  const at = await centre(button);
  const asked = page.waitForRequest('**/api/v1/acknowledge');
  await page.mouse.move(...at);
  await page.mouse.down();
  await comes('late');
  assert.deepEqual(await centre(button), at, 'the button stays under the finger');
  await page.mouse.up();
  assert.notEqual((await asked).postDataJSON().subject, 'late');
  await dialog.locator('.ask:not(.open)', { hasText: pressed }).waitFor();
  assert.deepEqual(await dialog.locator('.ask button').first().innerText(), 'Answered');
});

test('what was answered keeps its row, and the keyboard its place', only, async () => {
  const button = dialog.locator('.ask button').first();
  await button.focus();
  await page.keyboard.press('Enter');
  await dialog.locator('.ask button[aria-disabled="true"]').waitFor();
  assert.equal(await page.evaluate(() => document.activeElement?.textContent), 'Answered');
  await keep(page, 'restore-answered');
  let again = false;
  page.on('request', (it) => { again ||= it.url().endsWith('/acknowledge'); });
  await page.keyboard.press('Enter');
  await dialog.getByRole('button', { name: 'Hold to restore' }).waitFor();
  assert.equal(again, false, 'an answered alarm is not answered again');
});

test('an alarm that comes while the button is held ends the holding', only, async () => {
  await dialog.locator('.ask button').first().click();
  const hold = dialog.locator('button.hold:enabled');
  await hold.waitFor();
  let restored = false;
  page.on('request', (it) => { restored ||= it.url().endsWith('/restore'); });
  await page.mouse.move(...(await centre(hold)));
  await page.mouse.down();
  await dialog.getByRole('button', { name: 'Keep holding…' }).waitFor();
  await comes('late');
  await dialog.getByRole('button', { name: 'Acknowledge first' }).waitFor();
  // Longer than a second's holding: measured by the page's own clock.
  const began = await page.evaluate(() => performance.now());
  await page.waitForFunction((began) => performance.now() - began > 1500, began);
  await page.mouse.up();
  assert.equal(restored, false);
});

test('what was begun with a key before an alarm came is begun anew after it', only, async () => {
  await dialog.locator('.ask button').first().click();
  await dialog.locator('button.hold:enabled').focus();
  await page.keyboard.press('Enter');
  await dialog.getByRole('button', { name: 'Press again to restore' }).waitFor();
  await comes('late');
  await dialog.getByRole('button', { name: 'Acknowledge first' }).waitFor();
  await goes('late');
  await dialog.locator('button.hold:enabled').waitFor();
  assert.equal(await dialog.locator('button.hold').innerText(), 'Hold to restore');
});

test('a dialog that is left while the button is held restores nothing', only, async () => {
  await dialog.locator('.ask button').first().click();
  const hold = dialog.locator('button.hold:enabled');
  await hold.waitFor();
  let restored = false;
  page.on('request', (it) => { restored ||= it.url().endsWith('/restore'); });
  await page.mouse.move(...(await centre(hold)));
  await page.mouse.down();
  await dialog.getByRole('button', { name: 'Keep holding…' }).waitFor();
  await page.keyboard.press('Escape');
  await dialog.waitFor({ state: 'detached' });
  const left = await page.evaluate(() => performance.now());
  await page.waitForFunction((left) => performance.now() - left > 1500, left);
  await page.mouse.up();
  assert.equal(restored, false);
});
