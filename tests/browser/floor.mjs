// floor.mjs: the floor and Ask in a real browser: a double that arrives, is settled with the bib in
// hand, and is gone; the node killed and started again under an open page; a reload in the middle;
// languages; and WCAG 2.2 AA as far as axe-core can see.
import test from 'node:test';
import assert from 'node:assert/strict';
import { epcOf, stack, until } from '../field.mjs';
import { assertSameOrigin, faults, openBrowser, openFloor, openPage, start } from './browser.mjs';

const figure = (page, text) => page.locator('.figure', { hasText: text }).locator('b').textContent();

test('a double arrives on the floor and is settled there', { timeout: 180000 }, async (t) => {
  const [lead, one, two] = await openFloor(t);
  const browser = await openBrowser(t);
  const floor = await openPage(browser, `${lead.page}floor`);
  await floor.getByText('No bib is chipped twice').waitFor();

  // Two tables that do not hear of each other chip the same bib.
  await two.stop();
  await lead.stop();
  const tag = (tid) => ['--tag', `${epcOf(1050)}/${tid}`];
  await one.must(['issue', '1050', ...tag('E280110520001111'), '--helper', 'AB']);
  await two.must(['issue', '1050', ...tag('E280110520002222'), '--reason', 'asked for', '--helper', 'CD']);
  await start(t, lead, lead);
  await start(t, two, lead);
  one.peers = [];
  await one.stop();
  await start(t, one, lead);

  const card = floor.locator('#doubles article');
  await card.waitFor();
  const text = await card.textContent();
  for (const wanted of ['1050', 'chipped twice', 'Table 1, AB', 'Table 2, CD', 'without knowing']) {
    assert.ok(text.includes(wanted), `${wanted} in ${text}`);
  }
  assert.equal(await figure(floor, 'to settle'), '1');

  await t.test('the wrong bib, and a chip that is not of it, are refused', async () => {
    await floor.getByRole('button', { name: /^Settle/ }).click();
    await floor.keyboard.type('1051');
    await floor.keyboard.press('Enter');
    await floor.getByText('That is another bib').waitFor();
    await floor.getByRole('button', { name: 'This chip stays' }).click();
    await floor.locator('dialog .error[role="alert"]', { hasText: 'another bib' }).waitFor();
    await floor.locator('#a_chip').fill('E280110520003333');
    await floor.keyboard.press('Enter');
    await floor.getByText('not among those of this bib').waitFor();
    await floor.getByRole('button', { name: 'Go back' }).click();
    assert.equal((await lead.status()).doubles, 1);
  });
  await t.test('with the right bib and its chip in hand it is settled', async () => {
    await floor.getByRole('button', { name: /^Settle/ }).click();
    await floor.keyboard.type('01050'); // as a scanner may read it
    await floor.keyboard.press('Enter');
    await floor.keyboard.type('e280110520002222');
    await floor.keyboard.press('Enter');
    await floor.getByText('It is the chip of Table 2, CD').waitFor();
    await floor.getByLabel('Destroyed').check();
    await floor.locator('#a_helper').fill('EF');
    await floor.getByRole('button', { name: 'This chip stays' }).click();
    await floor.getByText('No bib is chipped twice').waitFor();
    const bib = await lead.json(['ask', '1050']);
    assert.equal(bib.state, 'issued');
    const live = bib.issues.filter((issue) => issue.live);
    assert.deepEqual(live.map(({ table }) => table), ['Table 2']);
    const ended = bib.issues.find((issue) => !issue.live).ended;
    assert.equal(ended.chip, 'destroyed');
    await until('the table knows it, too', 20000, async () => (await one.status()).doubles === 0);
  });
  await t.test('Ask tells its whole history', async () => {
    const ask = await openPage(browser, `${lead.page}ask#1050`);
    await ask.locator('.history li').nth(2).waitFor();
    const words = await ask.locator('#answer').innerText();
    for (const wanted of ['Bib 1050', 'chipped', 'Table 1, AB', 'Table 2, CD', 'Cancelled.',
      'The old chip is destroyed', 'Time by the clock of Table 2, which agrees', 'E280110520001111']) {
      assert.ok(words.includes(wanted), `${wanted} in ${words}`);
    }
    await ask.locator('#asked').fill('E280110520001111');
    await ask.keyboard.press('Enter');
    await ask.getByText('on the list of one bib').waitFor();
    assert.deepEqual(ask.wrong, []);
    await ask.close();
  });
  await t.test('unseen, only when somebody says so', async () => {
    await two.stop();
    await one.issue([1060]);
    await two.must(['issue', '1060', '--reason', 'asked for']);
    await start(t, two, lead);
    await floor.getByRole('button', { name: /^Settle/ }).click();
    await floor.locator('dialog fieldset label', { hasText: 'Table 1' }).click();
    await floor.getByRole('button', { name: 'This chip stays' }).click();
    await floor.getByText('Scan the bib first').waitFor();
    await floor.getByLabel('Nobody has the bib').check();
    await floor.getByRole('button', { name: 'This chip stays' }).click();
    await floor.getByText('No bib is chipped twice').waitFor();
    assert.equal((await lead.json(['ask', '1060'])).state, 'issued');
  });
  assertSameOrigin(browser.seen, [lead]);
});

test('an open page outlives its node', { timeout: 120000 }, async (t) => {
  const [lead, one] = await openFloor(t, { tables: 1 });
  await lead.issue(stack(1, 20));
  const browser = await openBrowser(t);
  const floor = await openPage(browser, `${lead.page}floor`);
  const issued = (wanted) => until(`${wanted} chipped`, 20000, async () =>
    (await figure(floor, 'bibs are chipped')) === String(wanted));
  await issued(20);
  await lead.kill();
  await floor.locator('#lost:not([hidden])').waitFor();
  await one.issue(stack(1001, 30)); // while it was away
  await lead.issue(stack(21, 5));
  await start(t, lead, lead);
  await one.stop();
  await start(t, one, lead);
  await issued(55);
  await floor.locator('#lost').waitFor({ state: 'hidden' });
  await floor.reload();
  await issued(55);
  await one.issue(stack(1041, 10));
  await issued(65);
  const pointed = floor.locator('#legend li', { hasText: 'gap in a stack' });
  assert.equal(await pointed.count(), 0);
  await one.issue(stack(1034, 4)); // 1031-1033 and 1038-1040 are left between
  await pointed.waitFor();
  assert.match(await pointed.textContent(), /: 6$/);
  await t.test('what was left out on purpose is no gap', async () => {
    await lead.must(['hold', '1031', '1033', '--missing', '--reason', 'not in the box']);
    await until('four are left', 20000, async () => / 4$/.test(await pointed.textContent()));
  });
});

test('a table is put out from the floor', { timeout: 120000 }, async (t) => {
  const [lead, one] = await openFloor(t, { tables: 1 });
  const browser = await openBrowser(t);
  const floor = await openPage(browser, `${lead.page}floor`);
  const row = floor.getByRole('row', { name: /^Table 1/ });
  await row.getByText('open').waitFor();
  await one.stop();
  await row.getByText('not connected').waitFor();
  await row.getByRole('button').click();
  await floor.getByRole('button', { name: 'Put it out for good' }).click();
  await floor.getByText('Say what happened to it.').waitFor();
  await floor.getByLabel(/Stolen or lost/).check();
  await floor.getByRole('button', { name: 'Put it out for good' }).click();
  await row.getByText('put out: stolen').waitFor();
  assert.deepEqual((await lead.status()).retired.map(({ name, how }) => `${name} ${how}`), ['Table 1 stolen']);
});

test('20,000 bibs stay fluid, and anybody can read them', { timeout: 180000 }, async (t) => {
  const [lead, one] = await openFloor(t, { tables: 1 });
  await one.stop();
  await one.must(['issue', '5', '--reason', 'asked for']);
  await lead.issue(stack(1, 900));
  for (const bib of [950, 951]) await lead.must(['hold', String(bib), '--reason', 'wet']);
  const browser = await openBrowser(t);
  const floor = await openPage(browser, `${lead.page}floor`);
  await floor.locator('#legend li').first().waitFor();
  const frame = await floor.evaluate(async () => {
    const { showMap } = await import('/map.js');
    const times = [];
    for (let i = 0; i < 5; i++) {
      const cells = Array.from({ length: 20000 }, (_, n) => '.codshm'[(n * 3 + i) % 7]).join('');
      const begin = performance.now();
      showMap({ ranges: [[1, 20000]], cells });
      await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
      times.push(performance.now() - begin);
    }
    return times;
  });
  console.log(`# a map of 20,000 cells in ${frame.map((ms) => ms.toFixed(0)).join(', ')} ms`);
  await floor.reload();
  await floor.locator('#holds td').first().waitFor();
  await floor.getByText('The map as a table').click();
  await floor.locator('#map_table td', { hasText: 'on hold' }).first().waitFor();
  await floor.getByText('The pace as a table').click();
  await t.test('the floor: axe-core, WCAG 2.2 AA', async () => assert.deepEqual(await faults(floor), []));
  await t.test('a dialog of the floor', async () => {
    await start(t, one, lead);
    await floor.getByRole('button', { name: /^Settle/ }).click();
    assert.deepEqual(await faults(floor), []);
    await floor.keyboard.press('Escape');
  });
  const ask = await openPage(browser, `${lead.page}ask#5`);
  await ask.locator('.history li').nth(1).waitFor();
  await t.test('Ask', async () => assert.deepEqual(await faults(ask), []));
  await t.test('in the other language', async () => {
    await ask.locator('select').selectOption('de');
    await ask.getByText('zwei Chips').first().waitFor();
    assert.equal(await ask.locator('html').getAttribute('lang'), 'de');
    assert.deepEqual(await faults(ask), []);
  });
  await t.test('the map tells states by shape: no two pictures alike in grey', async () => {
    const pictures = await floor.evaluate(async () => {
      const canvases = [...document.querySelectorAll('#legend canvas')];
      return canvases.map((canvas) => {
        const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
        return [...data].filter((_, i) => i % 4 === 3).map((a) => (a > 100 ? 1 : 0)).join('');
      });
    });
    assert.ok(pictures.length >= 3);
    assert.equal(new Set(pictures).size, pictures.length);
  });
  assert.deepEqual(floor.wrong, []);
  assertSameOrigin(browser.seen, [lead]);
});
