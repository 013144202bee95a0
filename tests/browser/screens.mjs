// screens.mjs: pictures of each page in the states that matter, for a person to look at.
// usage: BIBWEAVE=build/node/bibweave node tests/browser/screens.mjs FOLDER
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import test from 'node:test';
import { sleep, stack, until } from '../field.mjs';
import { openBrowser, openFloor, openPage, start } from './browser.mjs';

const folder = process.argv[2] ?? 'screens';
mkdirSync(folder, { recursive: true });

async function shoot(page, name, fullPage = false) {
  await sleep(400);
  await page.screenshot({ path: join(folder, `${name}.png`), fullPage });
}
async function type(page, text) {
  await page.keyboard.type(text);
  await page.keyboard.press('Enter');
}
const tone = (page, wanted) => page.locator(`#say[data-tone="${wanted}"]`).waitFor();

test('pictures of the pages', { timeout: 240000 }, async (t) => {
  const [lead, one, two] = await openFloor(t, { encoder: 'rehearse:away=5000,next=4000' });
  await one.issue(stack(1001, 180), ['--helper', 'AB']);
  await one.issue(stack(1184, 240), ['--helper', 'AB']);
  await two.issue(stack(2001, 400), ['--helper', 'CD']);
  await lead.issue(stack(1, 60));
  await two.stop(); // two tables that do not hear of each other chip the same bib
  await lead.must(['issue', '2450', '--reason', 'asked for at the lead']);
  await two.issue([2450], ['--helper', 'CD']);
  await start(t, two, lead);
  await until('the double', 20000, async () => (await lead.status()).doubles === 1);
  await lead.must(['hold', '1500', '--reason', 'name is wrong']);
  await lead.must(['hold', '1501', '1502', '--missing', '--reason', 'not in the box']);
  await lead.must(['hold', '1510', '--reprint', '--reason', 'wet']);
  await lead.must(['void', (await lead.json(['ask', '30'])).issues[0].record, '--reason', 'the chip is torn']);
  await lead.run(['handover', '--out', `${lead.dir}-list.csv`]);
  await lead.must(['hold', '31', '--reason', 'name is wrong']);
  await two.stop();

  const browser = await openBrowser(t, { viewport: { width: 1024, height: 600 } });
  const desk = await openPage(browser, one.page);
  await tone(desk, 'ready');
  await shoot(desk, 'desk-ready');
  await type(desk, '1600');
  await sleep(300);
  await shoot(desk, 'desk-work');
  await tone(desk, 'done');
  await shoot(desk, 'desk-done');
  await tone(desk, 'ready');
  await type(desk, '1001');
  await tone(desk, 'ask');
  await shoot(desk, 'desk-question');
  await type(desk, '1700');
  await shoot(desk, 'desk-refused');
  await desk.keyboard.press('F1');
  await sleep(500);
  await shoot(desk, 'desk-answered');
  await desk.getByRole('button', { name: /^Helper/ }).click();
  await shoot(desk, 'desk-helper');
  await desk.keyboard.press('Escape');
  await desk.getByRole('button', { name: /^More/ }).click();
  await shoot(desk, 'desk-more');
  await desk.keyboard.press('Escape');
  await desk.getByRole('button', { name: /^Series/ }).click();
  await desk.keyboard.type('1800');
  await desk.keyboard.press('Tab');
  await desk.keyboard.type('1790');
  await shoot(desk, 'desk-series-begin');
  await desk.keyboard.press('Enter');
  await tone(desk, 'work');
  await shoot(desk, 'desk-series');
  await desk.keyboard.press('F7');
  await tone(desk, 'ready');

  const wide = await openBrowser(t, { viewport: { width: 1280, height: 800 } });
  const floor = await openPage(wide, `${lead.page}floor`);
  await floor.locator('#doubles article').first().waitFor();
  await shoot(floor, 'floor', true);
  await floor.getByRole('button', { name: /^Settle/ }).first().click();
  await shoot(floor, 'floor-settle');
  await floor.keyboard.press('Escape');
  await floor.getByRole('button', { name: /^Put out/ }).first().click();
  await shoot(floor, 'floor-put-out');
  await floor.keyboard.press('Escape');

  await floor.getByRole('button', { name: 'Show what changed' }).click();
  await floor.locator('#since li').first().waitFor();
  await floor.getByRole('button', { name: 'Make tickets' }).click();
  await shoot(floor, 'floor-tickets');
  await floor.getByRole('button', { name: 'Make them' }).click();
  await floor.locator('.error', { hasText: 'There is a station' }).waitFor();
  await floor.locator('#tk_tables').fill('3-6');
  await floor.getByRole('button', { name: 'Make them' }).click();
  await floor.locator('.sheets img').waitFor();
  await shoot(floor, 'floor-tickets-made');
  await floor.getByRole('button', { name: 'Done' }).click();
  await shoot(floor, 'floor-below', true);

  const ask = await openPage(wide, `${lead.page}ask#2450`);
  await ask.locator('.history li').first().waitFor();
  await shoot(ask, 'ask-double', true);
  await ask.locator('#asked').fill('1500');
  await ask.keyboard.press('Enter');
  await shoot(ask, 'ask-hold', true);
  await ask.locator('select').selectOption('de');
  await until('German', 5000, async () => (await ask.locator('h1').textContent()).startsWith('Was'));
  await shoot(ask, 'ask-german', true);

  await two.must(['issue', '1600', '--reason', 'asked for']);
  await start(t, two, lead);
  await tone(desk, 'halt');
  await desk.locator('#sentence', { hasText: 'chipped twice' }).waitFor();
  await shoot(desk, 'desk-double');
  await lead.stop();
  await two.stop();
  await desk.locator('#choices button').first().click();
  await tone(desk, 'ready');
  await desk.locator('#state.alone').waitFor();
  await shoot(desk, 'desk-alone');
  await one.kill();
  await desk.locator('#sentence', { hasText: 'No answer' }).waitFor();
  await shoot(desk, 'desk-node-gone');
});
