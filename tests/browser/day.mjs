// day.mjs: the helper's day on three stations that have a cable each, in real browsers: a table is
// cut off and works on, both tables chip one bib, the cable is plugged in, the double interrupts both
// desks and is settled on the floor with the bib and its chip in hand. And a folder that was really
// copied to a second machine, as the desk's page tells it.
//
// Each browser is in the network namespace of its station's laptop, since pages are on its loopback.
import test from 'node:test';
import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { chmodSync, cpSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { Station, agree, assertKept, atEnd, listed, makeEvent, scratch, until } from '../field.mjs';
import { enterNamespaces } from '../namespaces.mjs';
import { Hall } from '../net/net.mjs';
import { otherMachine } from '../trust/trust.mjs';
import { faults, openBrowser, openPage, scan } from './browser.mjs';

await enterNamespaces(import.meta.url, { net: true });

const ENCODER = ['--page', '0', '--encoder', 'rehearse:away=200,next=100'];
const tone = (page, wanted) => page.locator(`#say[data-tone="${wanted}"]`).waitFor();
const chip = async (page, bib) => {
  await tone(page, 'ready');
  await scan(page, String(bib));
  await page.locator('#latest li', { hasText: String(bib) }).waitFor();
};

// A browser on the laptop `host`.
function browserOn(t, folder, host, options) {
  const program = join(folder, `browser-${host}`);
  writeFileSync(program, `#!/bin/sh\nexec nsenter --net=/run/netns/${host} ` +
    `${process.env.CHROMIUM || '/usr/bin/chromium'} "$@"\n`);
  chmodSync(program, 0o700);
  return openBrowser(t, { ...options, executablePath: program });
}

test('a day at three stations, with a cut', { timeout: 150000 }, async (t) => {
  const hall = new Hall(t, 3);
  const folder = scratch(t);
  const stations = await makeEvent(folder, hall.places());
  const [lead, one, two] = stations;
  one.peers = [lead.listen];
  two.peers = [lead.listen];
  atEnd(t, async () => {
    for (const station of stations) if (station.alive) await station.kill();
  });
  for (const station of stations) await station.start({ words: ENCODER });
  const open = async (station, path, viewport) => openPage(
    await browserOn(t, folder, station.host, { viewport }), `${station.page}${path}`);
  const small = { width: 1024, height: 600 };
  const [floor, first, second] = [await open(lead, 'floor', { width: 1280, height: 800 }),
    await open(one, '', small), await open(two, '', small)];

  await t.test('the helpers sign on, and begin', async () => {
    for (const [desk, initials] of [[first, 'AB'], [second, 'CD']]) {
      await desk.getByRole('button', { name: /^Helper/ }).click();
      await desk.keyboard.type(initials);
      await desk.keyboard.press('Enter');
      await desk.getByRole('button', { name: `Helper: ${initials}` }).waitFor();
    }
    await chip(first, 1001);
    await chip(second, 2001);
    await floor.getByRole('row', { name: /^Table 1.*open.*AB/ }).waitFor();
    await floor.getByRole('row', { name: /^Table 2.*open.*CD/ }).waitFor();
    await until('each is safe on two', 20000, async () =>
      /Safe on 2 other/.test(await second.locator('#safe').textContent()));
  });
  await t.test('cut off, a table works on, and says since when and what is only here', async () => {
    hall.pull(3);
    await second.locator('#state.alone', { hasText: /working alone since \d\d:\d\d, carry on/ }).waitFor();
    await chip(second, 2002);
    await chip(second, 19500);
    await second.locator('#safe', { hasText: /\d records are only here so far/ }).waitFor();
    await chip(first, 19500);
    await floor.getByRole('row', { name: /^Table 2.*not connected/ }).waitFor();
  });
  await t.test('reload in the middle: the same desk', async () => {
    await scan(second, '2001'); // chipped already: a question
    await tone(second, 'ask');
    const asked = await second.locator('#sentence').textContent();
    await second.reload();
    await tone(second, 'ask');
    assert.equal(await second.locator('#sentence').textContent(), asked);
    await scan(second, '2003'); // refused
    await second.locator('#aside', { hasText: '2003' }).waitFor();
    await scan(second, '+LEAVE');
    await tone(second, 'ready');
    await second.locator('#latest li', { hasText: '2002' }).waitFor();
  });
  await t.test('plugged in: the double interrupts a desk, with both tables and times', async () => {
    hall.plug(3);
    const said = /19500 is chipped twice: Table \d, \d\d:\d\d, (AB|CD); and Table \d, \d\d:\d\d, (AB|CD)/;
    for (const desk of [first, second]) await desk.locator('#sentence', { hasText: said }).waitFor();
    assert.deepEqual(await faults(first), []);
  });
  await t.test('the desk goes on, and still says so', async () => {
    for (const desk of [first, second]) {
      await desk.keyboard.press('F1');
      await tone(desk, 'ready');
      await desk.locator('#alarms .alarm', { hasText: /Bib 19500 is chipped twice: Table \d, .*Table \d, .*lay it aside/ }).waitFor();
    }
    assert.deepEqual(await faults(second), []);
  });
  await t.test('it is settled on the floor, with the bib and its chip in hand', async () => {
    const { issues } = await lead.json(['ask', '19500']);
    const kept = issues.find(({ table }) => table === 'Table 2');
    await floor.getByRole('button', { name: /^Settle/ }).click();
    await scan(floor, '19500');
    await scan(floor, `${kept.tags[0].epc}/${kept.tags[0].tid}`);
    await floor.getByText(/It is the chip of Table 2, CD/).waitFor();
    await floor.getByRole('button', { name: 'This chip stays' }).click();
    await floor.getByText('No bib is chipped twice').waitFor();
    await until('it is over at both desks', 20000, async () =>
      (await one.status()).doubles + (await two.status()).doubles === 0);
    for (const desk of [first, second]) {
      await desk.locator('#alarms').waitFor({ state: 'hidden' });
    }
  });
  await t.test('the day ends: everything is everywhere', async () => {
    await chip(first, 1002);
    await until('all agree', 20000, () => agree(stations));
    assert.equal((await listed(lead)).size, 5);
    const issues = await Promise.all([1001, 1002, 2001, 2002].map(async (bib) =>
      ({ bib, record: (await lead.json(['ask', String(bib)])).issues[0].record })));
    await assertKept(stations, issues);
    await floor.locator('.figure', { hasText: 'bibs are chipped' }).locator('b', { hasText: /^5$/ }).waitFor();
  });
  for (const page of [floor, first, second]) assert.deepEqual(page.wrong, []);
});

test('a folder that was copied: the desk and the floor say what to do', { timeout: 90000 }, async (t) => {
  // No network at all here: a laptop's loopback, and nothing else.
  assert.equal(spawnSync('ip', ['link', 'set', 'lo', 'up']).status, 0);
  const folder = scratch(t);
  const [lead, table, other] = await makeEvent(folder, Array(3).fill({ listen: '127.0.0.1:0' }));
  const both = [table, other];
  for (const [i, station] of both.entries()) await station.issue([1001 + 1000 * i]);
  const twins = both.map((station) =>
    new Station({ ...station, dir: `${station.dir}-copy`, machine: otherMachine(folder) }));
  for (const [i, station] of both.entries()) cpSync(station.dir, twins[i].dir, { recursive: true });
  atEnd(t, async () => {
    for (const station of [lead, ...both, ...twins]) if (station.alive) await station.kill();
  });
  await lead.start({ words: ENCODER });
  for (const station of [...both, ...twins]) {
    station.peers = [lead.address];
    await station.start({ words: ENCODER });
  }
  for (const [i, station] of [...both, ...twins].entries()) await station.issue([1101 + i + 1000 * (i % 2)]);
  const browser = await openBrowser(t, { viewport: { width: 1024, height: 600 } });
  const desk = await openPage(browser, table.page);
  const floor = await openPage(browser, `${lead.page}floor`);
  const alarm = desk.locator('#alarms .alarm');
  await until('both are told as one', 20000, async () => /And 1 more like it/.test(await alarm.textContent()));
  const says = (await table.status()).alarms.map(({ say }) => say).sort();
  assert.equal(says.length, 2);
  for (const [i, say] of says.entries()) assert.match(say, new RegExp(`^Table ${i + 1} .*go on`));
  assert.ok((await alarm.textContent()).includes(says[0]) || (await alarm.textContent()).includes(says[1]));
  assert.equal(await alarm.count(), 1);
  const box = await alarm.boundingBox();
  assert.ok(box.y + box.height <= 600, 'to be seen without scrolling');
  assert.deepEqual(await faults(desk), []);
  await t.test('on the floor, too, and each can be read', async () => {
    const card = floor.locator('#alarms .card');
    await card.getByText('2 times:').waitFor();
    assert.equal(await card.count(), 1);
    await card.getByText('All 2 of them').click();
    for (const say of says) await card.locator('li', { hasText: say }).waitFor();
    assert.deepEqual(await faults(floor), []);
  });
  await t.test('what asks a helper nothing is on the floor alone', async () => {
    const [{ record }] = (await lead.json(['ask', '1001'])).issues;
    await until('it is known there', 20000, async () => (await other.json(['ask', '1001'])).issues.length > 0);
    await other.must(['void', record, '--reason', 'on the wrong bib']);
    await floor.locator('#alarms .card', { hasText: 'chips of other tables' }).waitFor();
    await until('this table knows it too', 20000, async () =>
      (await table.status()).alarms.some(({ name }) => name === 'foreign_void'));
    await chip(desk, 1004); // time enough for the page to be told
    assert.equal(await alarm.count(), 1);
    assert.doesNotMatch(await desk.locator('#alarms').textContent(), /chips of other tables/);
  });
  await t.test('the desk works on', async () => {
    await chip(desk, 1003);
    assert.deepEqual(desk.wrong, []);
  });
  await t.test('a laptop that was put out closes its desk', async () => {
    await lead.must(['retire', 'Table 1', '--stolen']);
    await lead.must(['carry', 'out', join(folder, 'out.carry')]);
    await table.must(['carry', 'in', join(folder, 'out.carry')]);
    await tone(desk, 'halt');
    assert.match(await desk.locator('#sentence').textContent(), /put out by the lead \(stolen\)/);
    await desk.locator('#state', { hasText: 'hand it to the lead' }).waitFor();
    await until('no button begins anything', 10000, async () => await desk.locator('#commands button').count() === 0);
    await scan(desk, '1005');
    await desk.locator('#aside', { hasText: 'Nothing is taken here' }).waitFor();
    assert.deepEqual((await table.json(['ask', '1005'])).issues, []);
    assert.deepEqual(await faults(desk), []);
  });
});
