// clone.mjs: one station's folder that lives twice, on real processes: copied to a second machine,
// put back from an older copy (also in place, into the same files), resumed from a snapshot; both
// while connected and while apart. Nothing is lost, no number is written twice, all end alike, and
// people are told what to do, which mostly is nothing.
import test from 'node:test';
import assert from 'node:assert/strict';
import { copyFileSync, cpSync, existsSync, readFileSync, readdirSync, rmSync, writeFileSync }
  from 'node:fs';
import { join } from 'node:path';
import { Station, agree, assertKept, atEnd, doublesOf, makeEvent, now, scratch, sleep, stack, until }
  from '../field.mjs';
import { enterNamespaces } from '../namespaces.mjs';
import { alarmsOf, carry, isConnected, local, meetEach, otherMachine } from './trust.mjs';

await enterNamespaces(import.meta.url);

function endAll(t, stations) {
  atEnd(t, async () => {
    for (const station of stations) if (station.alive) await station.kill();
  });
}

async function event(t, count = 3) {
  const folder = scratch(t);
  const stations = await makeEvent(folder, Array(count).fill(local));
  endAll(t, stations);
  return [folder, ...stations];
}

// The same station on a second machine: a copy of its folder as it is now.
function twinOf(t, folder, station) {
  const twin = new Station({ ...station, name: station.name, dir: join(folder, 'twin'),
    machine: otherMachine(folder) });
  cpSync(station.dir, twin.dir, { recursive: true });
  endAll(t, [twin]);
  return twin;
}

// Copies of all files of a folder, to be put back later; `outside`: the file beside it too.
function backupOf(folder, station, outside = false) {
  const kept = join(folder, 'yesterday');
  cpSync(station.dir, kept, { recursive: true });
  const beside = join(folder, `.${station.dir.split('/').pop()}.last`);
  assert.ok(existsSync(beside), `no ${beside}`);
  if (outside) copyFileSync(beside, join(folder, 'beside'));
  return {
    // A new folder under the old name.
    restore() {
      rmSync(station.dir, { recursive: true });
      cpSync(kept, station.dir, { recursive: true });
    },
    // The old content in the files that are there: same folder, same inodes, same birth.
    restoreInPlace() {
      for (const name of readdirSync(station.dir)) {
        if (!existsSync(join(kept, name))) rmSync(join(station.dir, name));
      }
      for (const name of readdirSync(kept)) {
        copyFileSync(join(kept, name), join(station.dir, name));
      }
      if (outside) copyFileSync(join(folder, 'beside'), beside);
    },
  };
}

const logOf = async (station) => (await station.status()).log;

async function assertSound(stations, kept, doubles = []) {
  await assertKept(stations, kept);
  for (const station of stations) {
    assert.deepEqual(await doublesOf(station), doubles, `doubles at ${station.name}`);
    await station.must(['verify', '--every']);
  }
}

// One alarm of that name about Table 1, with a sentence that says what to do.
async function assertToldToGoOn(stations, name) {
  for (const station of stations) {
    const told = await alarmsOf(station, name);
    assert.equal(told.length, 1, `${name} at ${station.name}: ${told}`);
    assert.match(told[0], /^Table 1 /);
    assert.match(told[0], /go on/);
  }
}

test('a reboot begins a new log, and nobody is told anything', async (t) => {
  const [folder, lead, table] = await event(t, 2);
  const kept = await table.issue(stack(1001, 3));
  const before = await logOf(table);
  assert.equal(await logOf(table), before, 'a new log without any reason');
  table.machine = otherMachine(folder);
  kept.push(...await table.issue(stack(1004, 3)));
  assert.notEqual(await logOf(table), before);
  await carry(table, lead);
  assert.deepEqual((await lead.status()).alarms, []);
  await assertSound([lead], kept);
});

test('a folder on two machines, apart, which then meet', async (t) => {
  const [folder, lead, table, other] = await event(t);
  const kept = await table.issue(stack(1001, 5));
  const twin = twinOf(t, folder, table);
  await Promise.all([table.start(), twin.start()]);
  kept.push(...await table.issue(stack(1101, 5)), ...await twin.issue(stack(1201, 5)),
    ...await table.issue([1300]), ...await twin.issue([1300]));
  await Promise.all([table.stop(), twin.stop()]);
  await lead.start();
  for (const station of [other, table]) {
    station.peers = [lead.address];
    await station.start();
  }
  await until('they agree', 10000, () => agree([lead, other, table]));
  await table.stop();
  twin.peers = [lead.address];
  await twin.start();
  await until('they agree', 10000, () => agree([lead, other, twin]));
  await twin.stop();
  await table.start();
  const all = [lead, other, table];
  await until('they agree', 10000, () => agree(all));
  await assertSound(all, kept, ['1300 unaware']);
  await assertToldToGoOn(all, 'copied');
});

test('a folder on two machines at once, both connected', async (t) => {
  const [folder, lead, table, other] = await event(t);
  const kept = await table.issue(stack(1001, 5));
  const twin = twinOf(t, folder, table);
  await lead.start();
  for (const station of [other, table, twin]) {
    station.peers = [lead.address];
    await station.start();
  }
  await until('Table 1 is heard', 10000, () => isConnected(lead, 'Table 1'));
  const logs = [await logOf(table), await logOf(twin)];
  assert.notEqual(logs[0], logs[1], 'two machines write one log');
  for (let i = 0; i < 5; i += 1) {
    kept.push(...await table.issue([1101 + i]), ...await twin.issue([1201 + i]));
    await sleep(300);
  }
  const since = now();
  const all = [lead, other, table, twin];
  await until('all agree', 30000, () => agree(all));
  t.diagnostic(`all four agree ${Math.round(now() - since)} ms after the last issue`);
  assert.deepEqual([await logOf(table), await logOf(twin)], logs, 'a storm of new logs');
  await assertToldToGoOn(all, 'copied');
  await assertSound(all, kept);
});

for (const connected of [true, false]) {
  for (const inPlace of [false, true]) {
    const how = `${inPlace ? 'in place' : 'as a folder'}, ${connected ? 'connected' : 'apart'}`;
    test(`yesterday's copy is put back ${how}`, async (t) => {
      const [folder, lead, table] = await event(t, 2);
      endAll(t, [lead, table]);
      const kept = await table.issue(stack(1001, 5));
      const backup = backupOf(folder, table);
      kept.push(...await table.issue(stack(1006, 5)));
      await carry(table, lead);
      const before = await logOf(table);
      await table.must(['status']);
      backup[inPlace ? 'restoreInPlace' : 'restore']();
      await lead.start();
      table.peers = connected ? [lead.address] : [];
      await table.start();
      kept.push(...await table.issue(stack(1011, 5)));
      assert.notEqual(await logOf(table), before, 'it writes where it wrote before');
      const log = await logOf(table);
      if (!connected) {
        await table.stop();
        table.peers = [lead.address];
        await table.start();
      }
      await until('they agree', 10000, () => agree([lead, table]));
      assert.equal(await logOf(table), log, 'more new logs than one');
      await assertToldToGoOn([lead, table], 'copied');
      await assertSound([lead, table], kept);
    });
  }
}

// As a virtual machine goes on from a snapshot: nothing in or around the folder can tell, so one
// number is written twice, and only the others can see it.
test('a snapshot is resumed, and the log forks', async (t) => {
  const [folder, lead, table, other] = await event(t);
  const kept = await table.issue(stack(1001, 5));
  const backup = backupOf(folder, table, true);
  kept.push(...await table.issue(stack(1006, 3)));
  await carry(table, lead);
  const before = await logOf(table);
  backup.restoreInPlace();
  kept.push(...await table.issue(stack(1011, 3)));
  assert.equal(await logOf(table), before, 'this test does not do what it says');
  await lead.start();
  for (const station of [other, table]) {
    station.peers = [lead.address];
    await station.start();
  }
  const all = [lead, table, other];
  await until('all agree', 15000, () => agree(all));
  await until('it goes on in a new log', 15000, async () => await logOf(table) !== before);
  kept.push(...await table.issue(stack(1021, 3)));
  const log = await logOf(table);
  await sleep(1000);
  await until('all agree', 15000, () => agree(all));
  assert.equal(await logOf(table), log, 'more new logs than one');
  await assertToldToGoOn(all, 'fork');
  await assertSound(all, kept);
});

// Two machines that went on from one snapshot: the twin gets a `wake` file as if its files were
// those of the original, which is what a copy of a whole machine has.
async function resumedTwin(t, folder, table) {
  const twin = twinOf(t, folder, table);
  twin.machine = undefined;
  await twin.must(['status']); // its `wake` names its own files now, and a log of its own
  const wake = readFileSync(join(twin.dir, 'wake')).toString('hex');
  const theirs = readFileSync(join(table.dir, 'wake')).toString('hex');
  // The last two items: a log of 16 bytes, and a number below 24.
  assert.equal(theirs.at(-36), '5', 'the form of `wake` has changed');
  writeFileSync(join(twin.dir, 'wake'), Buffer.from(wake.slice(0, -36) + theirs.slice(-36), 'hex'));
  copyFileSync(join(table.dir, 'ledger.db'), join(twin.dir, 'ledger.db'));
  rmSync(join(folder, '.twin.last'));
  assert.equal(await logOf(twin), await logOf(table), 'this test does not do what it says');
  return twin;
}

test('one snapshot is resumed on two machines at once', async (t) => {
  const [folder, lead, table] = await event(t, 2);
  const kept = await table.issue(stack(1001, 5));
  const twin = await resumedTwin(t, folder, table);
  const before = await logOf(table);
  await lead.start();
  for (const station of [table, twin]) {
    station.peers = [lead.address];
    await station.start();
  }
  const seen = new Set();
  const look = async () => {
    for (const station of [table, twin]) seen.add(await logOf(station));
  };
  for (let i = 0; i < 10; i += 1) {
    kept.push(...await table.issue([1101 + i]), ...await twin.issue([1201 + i]));
    await sleep(200);
    await look();
  }
  const all = [lead, table, twin];
  await until('both go on in logs of their own', 20000, async () => {
    await look();
    return seen.size === 3 && await logOf(table) !== before && await logOf(twin) !== before;
  });
  kept.push(...await table.issue([1111]), ...await twin.issue([1211]));
  await until('all agree', 20000, () => agree(all));
  await look();
  assert.equal(seen.size, 3, 'a storm of new logs');
  await assertToldToGoOn(all, 'fork');
  await assertSound(all, kept);
});
