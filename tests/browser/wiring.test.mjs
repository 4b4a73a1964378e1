// The wiring sheets: on the screen, and on paper, where no machine is split over two pages.
import assert from 'node:assert/strict';
import { execFile } from 'node:child_process';
import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { after, before, test } from 'node:test';
import { promisify } from 'node:util';
import { keep, openPage, real, settled, startBrowser, startProgram } from './program.mjs';

let program;
let browser;
const only = { skip: real && 'needs the invented machines' };

before(async () => {
  if (real) return;
  program = await startProgram('quiet');
  browser = await startBrowser();
});

after(async () => {
  await browser?.close();
  await program?.stop();
});

test('a district is chosen, and each of its machines has a table of terminals', only, async () => {
  const { page, noted, context } = await openPage(browser, program.url, '/wiring');
  await settled(page);
  await page.getByRole('link', { name: 'All of quarry' }).click();
  await page.waitForURL('**/wiring/quarry');
  await page.locator('.machine-sheet').first().waitFor();
  assert.equal(await page.locator('.machine-sheet').count(), 5);
  const heads = await page.locator('.machine-sheet').first().locator('th[scope="col"]').allInnerTexts();
  assert.deepEqual(heads, ['Terminal', 'Function', 'Wire', 'Goes to', 'Measured', 'Checked', 'Note']);
  const frog = page.locator('.machine-sheet').first().locator('tr', { hasText: 'contact 1 common' });
  assert.match(await frog.innerText(), /frog of T1/);
  await keep(page, 'wiring-quarry');
  await page.goto(new URL('/wiring/T2', program.url).href);
  await page.locator('.machine-sheet').waitFor();
  assert.equal(await page.locator('.machine-sheet').count(), 1);
  await page.goto(new URL('/wiring/nowhere', program.url).href);
  await page.getByText('No sheet: no district or machine is called nowhere.').waitFor();
  assert.deepEqual(noted.errors, []);
  await context.close();
});

for (const format of ['A4', 'Letter']) {
  test(`on ${format} no machine is split, and two fit a page`, only, async () => {
    const { page, context } = await openPage(browser, program.url, '/wiring/quarry', { colorScheme: 'dark' });
    await page.locator('.machine-sheet').first().waitFor();
    const folder = await mkdtemp(join(tmpdir(), 'checkrail-print-'));
    const file = join(folder, 'sheet.pdf');
    await page.pdf({ path: file, format, preferCSSPageSize: false });
    const { stdout } = await promisify(execFile)('pdftotext', ['-layout', file, '-']);
    const pages = stdout.split('\f').filter((it) => it.trim());
    for (const id of ['T1', 'T2', 'T3', 'T4', 'T5']) {
      const on = pages.filter((it) => it.includes(`Switch machine ${id},`));
      assert.equal(on.length, 1, id);
      assert.ok(on[0].includes(`contacts ${id}.1 and ${id}.2`), `${id} ends where it began:\n${on[0]}`);
    }
    assert.equal(pages.length, 3, 'five machines, two a page');
    assert.ok(!/\bLive\b|\bPrint\b/.test(stdout), 'no tabs and no buttons on paper');
    await rm(folder, { recursive: true });
    await context.close();
  });
}
