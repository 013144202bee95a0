// retire.mjs: stations that are put out, on real processes: a stolen laptop that comes back, one
// that is taken in by a table which has not heard yet, a dead one whose disk is found, and two leads
// who cannot hear each other.
import test from 'node:test';
import assert from 'node:assert/strict';
import { join } from 'node:path';
import { agree, assertRefused, atEnd, makeEvent, scratch, sleep, stack, until } from
  '../field.mjs';
import { NO, WRONG, alarmsOf, carry, isConnected, letIn, local, meetEach } from './trust.mjs';

// Longer than any beat, greeting or first fetch: what could come has come by then.
const SETTLED_MS = 3000;

function endAll(t, stations) {
  atEnd(t, async () => {
    for (const station of stations) if (station.alive) await station.kill();
  });
}

async function startAll([first, ...others]) {
  await first.start();
  for (const station of others) {
    station.peers = [first.address];
    await station.start();
  }
}

const countedAt = async (station, bib) =>
  (await station.json(['ask', `${bib}`])).issues.map(({ counted, beyond }) => beyond ?? counted);

test('a stolen laptop is cut off in the middle of its session', async (t) => {
  const folder = scratch(t);
  const [lead, thief, table] = await makeEvent(folder, [local, local, local]);
  endAll(t, [lead, thief, table]);
  await startAll([lead, thief, table]);
  await meetEach([lead, thief, table]);
  await thief.issue(stack(1001, 3));
  await until('all agree', 10000, () => agree([lead, thief, table]));

  const told = await lead.json(['retire', 'Table 1', '--stolen', '--reason', 'gone from the hall']);
  assert.equal(told.how, 'stolen');
  assert.deepEqual(told.cutoffs.map(({ number }) => number), [4]); // open, and three issues
  await until('the others agree', 10000, () => agree([lead, table]));
  await until('the thief hears nobody any more', 10000, async () =>
    !await isConnected(thief, 'Lead') && !await isConnected(thief, 'Table 2'));
  await table.issue([2001]);
  await until('the others agree', 10000, () => agree([lead, table]));
  await sleep(SETTLED_MS);
  assert.ok(thief.alive);
  assert.deepEqual(await countedAt(thief, 2001), [], 'the thief is told what the others do');
  assert.deepEqual(await countedAt(table, 1001), [true]);
});

test('a laptop that hears that it was put out does not say carry on', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  endAll(t, [lead, table]);
  assert.equal((await table.status()).out, null);
  await lead.must(['retire', 'Table 1', '--stolen']);
  await carry(lead, table);
  await table.start();
  assert.equal((await table.status()).out, 'stolen');
  const said = (await table.must(['status'])).stdout;
  assert.match(said, /This station was put out of the event/);
  assert.doesNotMatch(said, /carry on/);
  const closed = await table.json(['desk', '--input', '{"text":"1001"}']);
  assert.equal(closed.tone, 'halt');
  assert.match(closed.say, /put out by the lead \(stolen\)/);
  assert.equal(closed.bib, '');
});

test('a stolen laptop that comes back with more is refused', async (t) => {
  const folder = scratch(t);
  const [lead, thief, table] = await makeEvent(folder, [local, local, local]);
  endAll(t, [lead, thief, table]);
  await thief.issue(stack(1001, 3));
  await carry(thief, lead);
  await startAll([lead, table]);
  await lead.must(['retire', 'Table 1', '--stolen']);
  await until('the others agree', 10000, () => agree([lead, table]));
  await thief.issue(stack(1004, 2));
  thief.peers = [lead.address, table.address];
  await thief.start();
  await sleep(SETTLED_MS);
  for (const station of [lead, table]) {
    assert.deepEqual(await countedAt(station, 1001), [true]);
    assert.deepEqual(await countedAt(station, 1004), [], 'records of a stolen laptop were taken');
    assert.deepEqual(await alarmsOf(station, 'beyond'), []);
  }
  assert.equal(await isConnected(thief, 'Lead'), false);
  assert.ok(await agree([lead, table]));
  // On a stick they are taken, and set apart.
  await carry(thief, lead);
  await until('the others agree', 10000, () => agree([lead, table]));
  assert.deepEqual(await countedAt(table, 1004), ['stolen']);
});

test('a table that has not heard yet takes the stolen laptop in, and all end alike', async (t) => {
  const folder = scratch(t);
  const [lead, thief, table] = await makeEvent(folder, [local, local, local]);
  endAll(t, [lead, thief, table]);
  await thief.issue(stack(1001, 3));
  await carry(thief, lead);
  await lead.must(['retire', 'Table 1', '--stolen']);
  const late = await thief.issue(stack(1004, 2));
  // Table 2 is cut off from the lead, and finds the thief.
  await thief.start();
  table.peers = [thief.address];
  await table.start();
  await until('Table 2 has what the thief wrote', 10000, async () =>
    (await countedAt(table, 1005))[0] === true);
  await table.issue(stack(2001, 5));

  lead.peers = [table.address];
  await lead.start();
  await until('lead and table agree', 10000, () => agree([lead, table]));
  for (const station of [lead, table]) {
    assert.deepEqual(await countedAt(station, 1003), [true]);
    assert.deepEqual(await countedAt(station, 1004), ['stolen']);
    const [say] = await alarmsOf(station, 'beyond');
    assert.match(say, /Table 1 was put out as stolen.*chips on bibs: 2, other records: 0/);
    const asked = await station.must(['ask', '1004']);
    assert.match(asked.stdout, /in doubt: fetch it/);
    assert.match(asked.stdout, /does not count: written after that laptop was stolen/);
  }
  await until('the thief is refused', 10000, async () =>
    !await isConnected(table, 'Table 1') && !await isConnected(thief, 'Table 2'));
  // The lead has looked at the chips: nobody is asked about these bibs any more.
  for (const { record } of late) await lead.must(['void', record, '--reason', 'looked']);
  await until('lead and table agree', 10000, () => agree([lead, table]));
  assert.equal((await table.status()).doubt, 0);
  await table.must(['verify', '--every']);
});

test('a dead laptop: its numbers go to another, and what is found on it counts', async (t) => {
  const folder = scratch(t);
  const [lead, dead, table] = await makeEvent(folder, [local, local, local]);
  const spare = await letIn(folder, lead, 'Spare');
  endAll(t, [lead, dead, spare]);
  endAll(t, [spare]);
  await dead.issue(stack(1001, 3));
  await carry(dead, lead);
  await dead.issue(stack(1004, 3)); // nobody has these
  const told = await lead.json(['retire', 'Table 1', '--dead', '--replacement', 'Spare']);
  assert.deepEqual([told.cutoffs, told.replacement, told.bibs], [[], 'Spare', '1001-2000']);
  await carry(lead, spare);
  await spare.issue(stack(1007, 3));
  assertRefused(await table.run(['issue', '1010']), NO); // it is Spare's, as Table 2 will learn
  // Said again, it is no second record.
  const { records } = await lead.status();
  const again = await lead.json(['retire', 'Table 1', '--dead', '--replacement', 'Spare']);
  assert.deepEqual([again.record, again.bibs], [null, '']);
  assert.equal((await lead.status()).records, records);
  // The disk was fine after all: it comes with a node, and is heard.
  await lead.start();
  dead.peers = [lead.address];
  await dead.start();
  spare.peers = [lead.address];
  await spare.start();
  await until('what was on it is here', 10000, async () =>
    (await countedAt(lead, 1006))[0] === true);
  await until('all agree', 10000, () => agree([lead, dead, spare]));
  assertRefused(await dead.run(['issue', '1011']), NO); // it knows now that it is out
  assert.deepEqual(await alarmsOf(lead, 'beyond'), []);
  assert.equal((await lead.status()).doubles, 0);
});

test('two leads who cannot hear each other put one station out', async (t) => {
  const folder = scratch(t);
  const [lead, stolen, table] = await makeEvent(folder, [local, local, local]);
  const second = await letIn(folder, lead, 'Second', ['--role', 'lead']);
  const all = [lead, second, table];
  endAll(t, all);
  await stolen.issue(stack(1001, 3));
  await carry(stolen, second);
  await stolen.issue(stack(1004, 2));
  await carry(stolen, lead);
  await Promise.all([lead.start(), second.start()]); // nobody's address is known to the other
  await Promise.all([lead, second].map((station) =>
    station.must(['retire', 'Table 1', '--stolen'])));
  assert.deepEqual(await countedAt(lead, 1005), [true]); // it has not heard of the earlier cut
  table.peers = [lead.address, second.address];
  await table.start();
  await until('all agree', 15000, () => agree(all));
  for (const station of all) {
    assert.deepEqual(await countedAt(station, 1003), [true]);
    assert.deepEqual(await countedAt(station, 1004), ['stolen']);
    assert.deepEqual(await countedAt(station, 1005), ['stolen']);
  }
  await table.must(['verify', '--every']);
});

test('what `retire` wants to be told', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  const desk = await letIn(folder, lead, 'Info desk', ['--role', 'reader']);
  assert.ok(desk);
  await table.issue(stack(1001, 5));
  await carry(table, lead);
  const { records } = await lead.status();
  const neither = await lead.run(['retire', 'Table 1']);
  assertRefused(neither, WRONG);
  assert.match(neither.stderr, /^Say --dead or --stolen\. Dead: .*Stolen, or lost: /);
  for (const [status, words] of [
    [WRONG, ['Table 1', '--dead', '--stolen']],
    [WRONG, ['Table 1', '--dead', '--at', '3']],
    [WRONG, ['Table 1', '--stolen', '--at', '7']], // open and five issues
    [WRONG, ['Table 1', '--stolen', '--at', '0']],
    [WRONG, ['Table 1', '--stolen', '--at', '3x']],
    [WRONG, ['Table 1', '--stolen', '--reason', 'x'.repeat(300)]],
    [WRONG, []],
    [NO, ['Table 77', '--dead']],
    [NO, ['Table 1', '--dead', '--replacement', 'Table 1']],
    [NO, ['Table 1', '--dead', '--replacement', 'Info desk']],
    [NO, ['Table 1', '--dead', '--replacement', 'Table 77']],
  ]) {
    assertRefused(await lead.run(['retire', ...words]), status);
  }
  assert.equal((await lead.status()).records, records, 'a refused command left a record');

  await lead.must(['retire', 'table 1', '--stolen', '--at', '4']);
  assert.deepEqual(await countedAt(lead, 1003), [true]);
  assert.deepEqual(await countedAt(lead, 1004), ['stolen']);
  assertRefused(await lead.run(['retire', 'Table 1', '--dead']), NO); // final
  await lead.must(['retire', 'Table 1', '--stolen', '--at', '2']); // earlier: that wins
  assert.deepEqual(await countedAt(lead, 1002), ['stolen']);
  await lead.must(['retire', 'Table 1', '--stolen', '--at', '5']); // later: that changes nothing
  assert.deepEqual(await countedAt(lead, 1002), ['stolen']);
  // A new laptop may have the name of one that is out.
  const again = await letIn(join(folder, 'again'), lead, 'Table 1');
  assert.equal((await again.status()).role, 'table');
  await lead.must(['allot', 'Table 1', '1001-2000']);
  await carry(lead, again);
  await again.issue([1010]);
  await lead.must(['verify', '--every']);
});
