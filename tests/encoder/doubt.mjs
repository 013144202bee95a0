// doubt.mjs: the power goes between the order and the answer, between two chips of one bib, and the
// disk is full when the order is to be kept. Whatever lies on the antenna afterwards, every bib ends
// with the chip that is really on it, and nothing is written that was not kept.
import test from 'node:test';
import assert from 'node:assert/strict';
import { cpSync, existsSync, lstatSync } from 'node:fs';
import { join } from 'node:path';
import { atEnd, epcOf, program, scratch, sleep, Station, until } from '../field.mjs';
import { fill, makeRoom, smallDisk } from '../disk.mjs';
import { enterNamespaces } from '../namespaces.mjs';
import { oneTable, rehearsed, Table, withEncoders } from './table.mjs';

await enterNamespaces(import.meta.url);

const BLANK = '0'.repeat(24);

// A rehearsal that begins only after `sleep` is ended by the test: until then there is no encoder.
const later = (seconds, args) => `program:sleep ${seconds}; exec ${program} encoder rehearse ${args}`;

// Gives the order to write bib 5, and kills the node before the answer: `fault` of the rehearsal
// says whether the chip was written by then.
async function killed(t, fault) {
  const table = await oneTable(t);
  const { state } = table;
  await table.station.start(withEncoders(`rehearse:${fault}=1,away=60000,state=${state}`));
  await table.ready();
  await table.scan(5);
  await until('the order was given', 20000, () => rehearsed(state).orders === 1, 20);
  if (fault === 'mute') {
    await until('the chip was written', 20000, () => rehearsed(state).epc === epcOf(5), 20);
  }
  await table.station.kill();
  return { table, state, chip: rehearsed(state) };
}

for (const [fault, epc] of [['mute', epcOf(5)], ['hang', BLANK]]) {
  const how = fault === 'mute' ? 'written' : 'not written';
  test(`killed between order and answer, the chip was ${how}`, async (t) => {
    const { table, state, chip } = await killed(t, fault);
    assert.equal(chip.epc, epc);
    await table.station.start(withEncoders(later(1, `away=60000,state=${state}`)));
    const view = await table.view();
    assert.equal(view.tone, 'ask', JSON.stringify(view));
    assert.equal(view.bib, '5');
    assert.match(view.say, /may be written or not/);
    assert.equal((await table.live(5)).length, 0, 'recorded without an answer');
    // The chip lies there: reading it settles.
    await table.until('bib 5 is chipped', ({ latest }) => latest[0]?.bib === '5');
    const [issue] = await table.live(5);
    assert.deepEqual(issue.tags, [{ epc: epcOf(5), tid: chip.tid }]);
    assert.equal(rehearsed(state).orders, fault === 'mute' ? 1 : 2);
    assert.equal(await table.station.stop(), 0);
    await table.station.must(['verify', '--every']);
  });
}

test('killed between order and answer, and the chip is thrown away', async (t) => {
  const { table } = await killed(t, 'mute');
  await table.station.start(withEncoders('rehearse')); // another chip lies there
  await table.ready();
  await sleep(300);
  assert.equal((await table.live(5)).length, 0, 'another chip was taken for it');
  await table.answer('thrown');
  await table.until('bib 5 is chipped', ({ latest }) => latest[0]?.bib === '5');
  assert.equal((await table.live(5)).length, 1);
});

test('a copy of the folder has the order in doubt, too, and nothing more', async (t) => {
  const { table } = await killed(t, 'mute');
  const dir = `${table.station.dir}-copy`;
  cpSync(table.station.dir, dir, { recursive: true, filter: (file) => !lstatSync(file).isSocket() });
  const copy = new Table(new Station({ name: 'Copy', dir, listen: '127.0.0.1:0' }));
  atEnd(t, () => copy.station.alive && copy.station.kill());
  await copy.station.must(['verify', '--every']);
  await copy.station.start();
  assert.match((await copy.view()).say, /may be written or not/);
  assert.equal((await copy.live(5)).length, 0);
  assert.equal(await copy.station.stop(), 0);
  // What a desk keeps is in no hash, and goes to no stick and no merge.
  const stick = join(scratch(t), 'stick.carry');
  await copy.station.must(['carry', 'out', stick]);
  const merged = join(scratch(t), 'merged');
  await table.station.must(['verify', '--every']);
  const heads = async (folder) => (await new Station({ dir: folder }).status()).state_hash;
  const before = await heads(table.station.dir);
  await new Station({ dir: merged }).must(['merge', '--out', merged, stick, table.station.dir]);
  assert.equal(await heads(merged), before);
});

test('killed between two chips of one bib', async (t) => {
  const table = await oneTable(t, { extra: ['--tags-per-bib', '2'] });
  const { state } = table;
  await table.station.start(withEncoders(`rehearse:away=200,next=60000,state=${state}`));
  await table.ready();
  await table.scan(5);
  await table.until('the first is made', ({ chips_made: made }) => made === 1);
  const first = rehearsed(state);
  await until('it was taken away', 20000, () => !rehearsed(state).there, 20);
  await table.station.kill();
  await table.station.start(withEncoders(later(1, `away=200,next=200,state=${state}`)));
  const view = await table.view();
  assert.equal(view.bib, '5');
  assert.equal(view.chips_made, 1);
  assert.equal(view.chips_wanted, 2);
  await table.answer('finish');
  await table.until('bib 5 is chipped', ({ latest }) => latest[0]?.bib === '5');
  const [issue] = await table.live(5);
  assert.equal(issue.half, false);
  assert.equal(issue.tags.length, 2);
  assert.equal(issue.tags[0].tid, first.tid, 'the first chip was forgotten');
  assert.notEqual(issue.tags[1].tid, first.tid);
});

test('killed between two chips, and it stays half', async (t) => {
  const table = await oneTable(t, { extra: ['--tags-per-bib', '2'] });
  await table.station.start(withEncoders('rehearse:away=200,next=60000'));
  await table.ready();
  await table.scan(5);
  await table.until('the first is made', ({ chips_made: made }) => made === 1);
  await table.station.kill();
  await table.station.start();
  await table.answer('half');
  await table.until('it is recorded', ({ latest }) => latest[0]?.bib === '5');
  const [issue] = await table.live(5);
  assert.equal(issue.half, true);
  assert.equal(issue.tags.length, 1);
});

test('on a full disk nothing is written on a chip', async (t) => {
  const disk = join(scratch(t), 'd');
  smallDisk(t, disk);
  const table = await oneTable(t, { folder: disk });
  const { state } = table;
  await table.station.start(withEncoders(`rehearse:away=200,next=100,state=${state}`));
  await table.ready();
  // To the last byte, and until the file that is there already has no room left, either.
  let last = 0;
  for (let bib = 100; bib < 1000 && last === 0; bib += 1) {
    fill(disk, 0);
    last = (await table.station.run(['issue', String(bib)])).status;
  }
  assert.equal(last, 3, 'the disk never ran full');
  const before = rehearsed(state);
  await table.scan(5);
  await sleep(1000);
  assert.equal(rehearsed(state).orders, before.orders, 'an order was given that was not kept');
  assert.equal(rehearsed(state).epc, BLANK);
  const view = await table.view();
  t.diagnostic(`${view.tone}: ${view.say} ${view.aside}`);
  assert.match(`${view.say} ${view.aside}`, /full|room/i);
  assert.ok(table.station.alive);
  makeRoom(disk);
  await table.until('bib 5 is chipped when there is room', async ({ latest, tone }) => {
    if (latest[0]?.bib === '5') return true;
    if (tone === 'ready') await table.scan(5);
    return false;
  });
  const [issue] = await table.live(5);
  assert.equal(issue.tags[0].epc, epcOf(5));
  assert.equal(await table.station.stop(), 0);
  assert.ok(existsSync(state));
  await table.station.must(['verify', '--every']);
});
