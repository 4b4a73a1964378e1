// Every state of the pages that change with it, light and dark, on a phone and a desktop: nothing serious by axe-core,
// nothing too wide, and the sentence that the state asks for. Pictures are kept of each.
import assert from 'node:assert/strict';
import { readFile } from 'node:fs/promises';
import { createRequire } from 'node:module';
import { after, before, test } from 'node:test';
import { keep, openPage, real, settled, startBrowser, startProgram } from './program.mjs';

const PATHS = ['/live', '/alarms', '/turnouts'];
const SIZES = { phone: { width: 390, height: 844 }, desktop: { width: 1440, height: 900 } };
/** State, what the preview is started with, and what the page then says. */
const STATES = [
  ['quiet', {}, /All 4 districts on/],
  ['alarm', {}, /Junction is off/],
  ['flood', {}, /Alarm flood, \d+ in 10\smin/],
  ['stale', {}, /Partly stale: node bench silent.*Last known values in quarry/],
  ['empty', {}, /Nothing is wired yet/],
  ['demo', { DEMO: '1' }, /Demo layout\. Nothing here is wired/],
  ['disconnected', {}, /No contact with the supervisor since/],
];

let browser;
let axe;

before(async () => {
  browser = await startBrowser();
  axe = await readFile(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
});
after(() => browser?.close());

const serious = async (page) => {
  const { violations } = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ['violations'] }));
  return violations.filter((v) => v.impact === 'serious' || v.impact === 'critical').map((v) => `${v.id}: ${v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160)).join(' | ')}`);
};

for (const [state, env, says] of STATES) {
  test(`${state}: accessible, within the width, and said`, { skip: real && 'the demo cannot be put into a state' }, async () => {
    const program = await startProgram(['demo', 'disconnected'].includes(state) ? 'quiet' : state, env);
    try {
      for (const path of PATHS) await look(program, state, path, says);
    } finally {
      program.thaw();
      await program.stop();
    }
  });
}

async function look(program, state, path, says) {
  const { page, noted, context } = await openPage(browser, program.url, path, { reducedMotion: 'reduce' });
  await settled(page);
  if (state === 'disconnected') program.freeze();
  if (path === '/live') await page.locator('body', { hasText: says }).waitFor({ timeout: 6000 });
  else if (state === 'disconnected') await page.locator('.strip', { hasText: says }).waitFor({ timeout: 6000 });
  await page.evaluate(axe);
  for (const [size, viewport] of Object.entries(SIZES)) {
    await page.setViewportSize(viewport);
    for (const colorScheme of ['light', 'dark']) {
      await page.emulateMedia({ colorScheme });
      const where = `${state} ${path} ${size} ${colorScheme}`;
      assert.deepEqual(await serious(page), [], where);
      assert.ok((await page.evaluate(() => document.documentElement.scrollWidth - innerWidth)) <= 0, `${where} is too wide`);
      await keep(page, `state-${state}-${path.slice(1)}-${size}-${colorScheme}`);
    }
  }
  assert.deepEqual(noted.errors, []);
  await context.close();
  program.thaw();
}
