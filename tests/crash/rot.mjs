// rot.mjs: bytes of the ledger turn over, in the database and in its write-ahead log, after an
// unclean stop. The program either works, and nothing is lost, or says so in one sentence and
// leaves the folder as it is; then `recover` gets it back, and names what was on no other station.
//
// Seeded: `SEED=7 node tests/crash/rot.mjs` tries the same again. CASES is for how many, else 40.
import test from 'node:test';
import assert from 'node:assert/strict';
import { createHash } from 'node:crypto';
import { once } from 'node:events';
import { copyFileSync, cpSync, existsSync, ftruncateSync, openSync, closeSync, fstatSync,
  readFileSync, readSync, readdirSync, rmSync, writeFileSync, writeSync } from 'node:fs';
import { join } from 'node:path';
import { Station, agree, assertKept, assertRefused, atEnd, launch, listed, makeEvent, scratch,
  sleep, stack, told, until } from '../field.mjs';
import { Chance, seed } from './chance.mjs';

const MACHINE = 3;
const STATE = 1;
const CASES = Number(process.env.CASES || 40);
const SENT = 60; // issues that the lead has got
const ALONE = 100; // issues that nobody else has
const local = { listen: '127.0.0.1:0' };
console.log(`# SEED=${seed} CASES=${CASES}`);

const lastFile = (dir) => dir.replace(/([^/]+)$/, '.$1.last');
const ledgerOf = (dir) => join(dir, 'ledger.db');
const walOf = (dir) => join(dir, 'ledger.db-wal');

// A copy of a station that is not running, with what is kept beside its folder.
function copyOf(station, dir) {
  const filter = (name) => !name.endsWith('/control'); // a socket, of a node that was killed
  cpSync(station.dir, dir, { recursive: true, filter });
  if (existsSync(lastFile(station.dir))) copyFileSync(lastFile(station.dir), lastFile(dir));
  return new Station({ ...local, name: station.name, dir });
}

function drop(station) {
  rmSync(station.dir, { recursive: true });
  rmSync(lastFile(station.dir), { force: true });
  for (const end of ['.log', '.csv', '-two-bibs.csv', '-dead.csv']) {
    rmSync(`${station.dir}${end}`, { force: true });
  }
}

// A lead and a table that was killed while it worked alone: what it wrote last is in the WAL.
// `issues` are the table's, in order; the k-th (from 0) has number k + 2 in its log.
async function killedTable(t, folder) {
  const [lead, table] = await makeEvent(folder, [local, local]);
  for (const station of [lead, table]) atEnd(t, () => station.alive && station.kill());
  table.peers = [await lead.start()];
  await table.start();
  const issues = await table.issue(stack(1001, SENT));
  const others = await lead.issue(stack(1, 20));
  await until('both agree', 10000, () => agree([lead, table]));
  assert.equal(await lead.stop(), 0);
  issues.push(...await table.issue(stack(1001 + SENT, ALONE)));
  await table.kill();
  const carry = join(folder, 'lead.carry');
  await lead.must(['carry', 'out', carry]);
  return { lead, table, issues, others, carry };
}

// ---- damage ----

function digests(dir) {
  return [ledgerOf(dir), walOf(dir)].map((file) => existsSync(file) &&
    createHash('sha256').update(readFileSync(file)).digest('hex'));
}

function damage(chance, file) {
  const fd = openSync(file, 'r+');
  const { size } = fstatSync(fd);
  if (size === 0) return 'nothing left';
  const kind = chance.pick(['bit', 'bytes', 'block', 'page', 'pages', 'cut']);
  const change = (at, count, next) => {
    const bytes = Buffer.alloc(Math.min(count, size - at));
    readSync(fd, bytes, 0, bytes.length, at);
    writeSync(fd, bytes.map(next), 0, bytes.length, at);
  };
  if (kind === 'bit') change(chance.between(0, size - 1), 1, (b) => b ^ (1 << chance.between(0, 7)));
  if (kind === 'bytes') {
    for (let i = chance.between(2, 200); i > 0; i--) {
      change(chance.between(0, size - 1), 1, () => chance.between(0, 255));
    }
  }
  const block = (bytes) => bytes * chance.between(0, Math.floor((size - 1) / bytes));
  if (kind === 'block') change(block(512), 512, () => 0);
  if (kind === 'page') change(block(4096), 4096, () => chance.between(0, 255));
  if (kind === 'pages') change(block(4096), 4096 * chance.between(2, 64), () => 0);
  if (kind === 'cut') ftruncateSync(fd, chance.between(0, size - 1));
  closeSync(fd);
  return kind;
}

function wipe(file, at, count) {
  const fd = openSync(file, 'r+');
  writeSync(fd, Buffer.alloc(count), 0, count, at);
  closeSync(fd);
}

// ---- after it ----

// Every acknowledged issue is listed, or stands in what is said to be missing, with its own bib
// where one is named; and what another station had is not missing.
async function assertOnlyNamedMissing(station, issues, missing, others) {
  const records = await listed(station);
  const named = new Map();
  for (const { from, to, bibs } of missing) {
    for (let number = from; number <= to; number++) named.set(number, undefined);
    for (const { number, bib } of bibs) named.set(number, bib);
  }
  let lost = 0;
  for (const [i, { record, bib }] of issues.entries()) {
    const number = i + 2;
    if (records.has(record)) {
      assert.ok(!named.has(number), `record ${number} is here and is called missing`);
      continue;
    }
    lost++;
    assert.ok(i >= SENT, `record ${number} is on another station and did not come back`);
    assert.ok(named.has(number), `record ${number} (bib ${bib}) is gone and is not named`);
    assert.ok([bib, undefined].includes(named.get(number)), `record ${number} is of bib ${bib}`);
  }
  for (const { record, bib } of others) assert.ok(records.has(record), `the lead's bib ${bib}`);
  return { lost, withBib: [...named.values()].filter((bib) => bib !== undefined).length };
}

// A station that works: sound, in a log of its own, and able to write.
async function assertWorks(station, log, bib) {
  await station.must(['verify', '--every']);
  const status = await station.status();
  assert.notEqual(status.log, log, 'it goes on under numbers that were used');
  assert.equal(status.doubles, 0);
  await station.must(['issue', String(bib)]);
  await station.must(['verify']);
}

// Recovers with `words`, and holds it against the promises. Gives what recover said.
async function assertRecovers({ station, issues, others, log, words, bad }) {
  const answer = await station.run(['recover', ...words, '--json']);
  assert.ok([0, STATE].includes(answer.status), told(answer));
  const said = answer.json();
  assert.equal(answer.status, said.missing.length > 0 ? STATE : 0, told(answer));
  assert.equal(said.rebuilt, true);
  assert.deepEqual(digests(join(station.dir, said.kept)), bad, 'the damaged files were not kept');
  const seen = await assertOnlyNamedMissing(station, issues, said.missing, others);
  await assertWorks(station, log, 1990);
  return { ...said, ...seen };
}

test('bytes turned over in database and write-ahead log', async (t) => {
  const folder = scratch(t);
  const { table, issues, others, carry } = await killedTable(t, folder);
  const whole = copyOf(table, join(folder, 'whole'));
  const { log } = await whole.status(); // a copy goes on in a log of its own
  assert.equal(readFileSync(walOf(table.dir)).length > 0, true, 'there is no write-ahead log');
  const ownLog = (await whole.json(['recover', '--wait', '0'])).missing;
  assert.deepEqual(ownLog, [], 'a sound copy lacks something');
  const sum = { works: 0, recovered: 0, lost: 0, withBib: 0, complete: 0 };
  for (let i = 0; i < CASES; i++) {
    const chance = new Chance(seed * 1000 + i);
    const station = copyOf(table, join(folder, `c${i}`));
    const files = chance.pick([[ledgerOf], [walOf], [walOf], [ledgerOf, walOf]]);
    const kinds = files.flatMap((file) =>
      Array.from({ length: chance.between(1, 3) }, () => damage(chance, file(station.dir))));
    const bad = digests(station.dir);
    const what = `case ${i} of SEED=${seed}: ${kinds} in ${files.map((file) => file.name)}`;
    await t.test(what, async () => {
      const first = await station.run(['status', '--json']);
      if (first.status === 0) {
        sum.works++;
        await station.must(['verify', '--every']);
        const { lost } = await assertOnlyNamedMissing(station, issues, [], []);
        assert.equal(lost, 0);
        assert.equal(first.json().alarms.find(({ name }) => name === 'missing'), undefined);
        return;
      }
      assertRefused(first, MACHINE);
      assertRefused(await station.run(['run', '--listen', '127.0.0.1:0'], { within_ms: 10000 }),
        MACHINE);
      assert.deepEqual(digests(station.dir), bad, 'the damaged files were changed');
      const said = await assertRecovers({ station, issues, others, log,
        words: ['--from', carry, '--wait', '0'], bad });
      sum.recovered++;
      sum.lost += said.lost;
      sum.withBib += said.withBib;
      sum.complete += said.lost === 0 ? 1 : 0;
      const again = (await station.run(['recover', '--wait', '0', '--json'])).json();
      assert.equal(again.rebuilt, false, 'a sound folder was made again');
      assert.deepEqual(again.missing, said.missing, 'the second time something else is missing');
    });
    drop(station);
  }
  t.diagnostic(`${CASES} cases: ${sum.works} work with nothing lost; ${sum.recovered} refused and ` +
    `recovered, ${sum.complete} of them whole, in the others ${sum.lost} records lost and named, ` +
    `${sum.withBib} with their bibs`);
  assert.ok(sum.recovered > 0, 'no damage was seen');
});

// ---- from living stations ----

// Each with a lead of its own, because what is salvaged at the table is told to the lead.
test('a damaged table gets itself back from the lead that runs', async (t) => {
  const folder = scratch(t);
  const { lead, table, issues, others } = await killedTable(t, folder);
  const { log } = await copyOf(table, join(folder, 'whole')).status();
  const cases = Array.from({ length: 6 }, async (_, i) => {
    const chance = new Chance(seed * 1000 + 500 + i);
    const station = copyOf(table, join(folder, `c${i}`));
    const leader = copyOf(lead, join(folder, `lead${i}`));
    atEnd(t, () => leader.alive && leader.kill());
    if (i < 2) {
      wipe(ledgerOf(station.dir), 0, 100); // both headers: no row can be read, and no record is hurt
      wipe(walOf(station.dir), 0, 32);
    } else if (i < 4) {
      for (const file of [ledgerOf, walOf, walOf]) damage(chance, file(station.dir));
      wipe(ledgerOf(station.dir), 4096, 4096 * 64);
    } else if (i === 4) {
      rmSync(ledgerOf(station.dir)); // all but the keys is gone
      rmSync(walOf(station.dir));
      rmSync(join(station.dir, 'event.carry'));
    } else {
      writeFileSync(ledgerOf(station.dir), ''); // as after a power cut on a bad file system
      writeFileSync(walOf(station.dir), '');
    }
    const bad = digests(station.dir);
    assertRefused(await station.run(['status']), MACHINE);
    const address = await leader.start();
    const words = ['--peer', address, '--listen', '127.0.0.1:0'];
    // where not even an admit is left, the key that answered at an address is remembered
    const known = join(station.dir, 'peers');
    writeFileSync(known, readFileSync(known, 'utf8').replace(/^\S+/, address));
    const answer = await station.run(['recover', ...words, '--json']);
    assert.ok([0, STATE].includes(answer.status) && answer.stdout, told(answer));
    const said = answer.json();
    assert.equal(said.in_step, true, told(answer));
    if (i !== 4) assert.deepEqual(digests(join(station.dir, said.kept)), bad);
    await assertOnlyNamedMissing(station, issues, said.missing, others);
    await assertWorks(station, log, 1990);
    if (i < 2) assert.deepEqual(said.missing, []);
    if (i > 3) assert.equal(said.missing.length, 1);
    // the lead got what was salvaged; only a log that could not be begun before is newer
    assert.ok(said.held - (await leader.status()).records <= (i === 4 ? 1 : 0));
    return said.missing.reduce((sum, { from, to }) => sum + to - from + 1, 0);
  });
  const lost = await Promise.all(cases);
  t.diagnostic(`lost and named: ${lost.join(', ')} of ${ALONE} that were on no other station`);
});

test('recover is killed, and done again', async (t) => {
  const chance = new Chance(seed + 7);
  const folder = scratch(t);
  const { table, issues, others, carry } = await killedTable(t, folder);
  const { log } = await copyOf(table, join(folder, 'whole')).status();
  let kills = 0;
  for (let i = 0; i < 5; i++) {
    const station = copyOf(table, join(folder, `k${i}`));
    wipe(ledgerOf(station.dir), 0, 4096 * 200);
    const bad = digests(station.dir);
    for (let j = 0; j < 5; j++) {
      const child = launch(['--dir', station.dir, 'recover', '--from', carry, '--wait', '0']);
      const ended = once(child, 'exit');
      await sleep(chance.between(1, 60));
      child.kill('SIGKILL');
      const [, signal] = await ended;
      kills += signal ? 1 : 0;
    }
    const answer = await station.run(['recover', '--from', carry, '--wait', '0', '--json']);
    assert.ok([0, STATE].includes(answer.status), told(answer));
    await assertOnlyNamedMissing(station, issues, answer.json().missing, others);
    await assertWorks(station, log, 1990);
    const kept = readdirSync(station.dir).filter((name) => name.startsWith('damaged-'));
    assert.ok(kept.some((name) => digests(join(station.dir, name))[0] === bad[0]), 'not kept');
    assert.deepEqual(readdirSync(station.dir).filter((name) => name.startsWith('.')), [],
      'something unfinished was left');
  }
  t.diagnostic(`${kills} kills`);
});

// ---- an older copy ----

// Files are written over in place, so that they keep their inodes: only the file beside the folder
// can know.
function putBack(from, station) {
  for (const name of ['ledger.db', 'wake']) {
    writeFileSync(join(station.dir, name), readFileSync(join(from, name)));
  }
}

test('a ledger put back from an older copy', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  for (const station of [lead, table]) atEnd(t, () => station.alive && station.kill());
  const kept = await table.issue(stack(1001, 10));
  const backup = join(folder, 'backup');
  cpSync(table.dir, backup, { recursive: true });
  table.peers = [await lead.start()];
  await table.start();
  kept.push(...await table.issue(stack(1011, 15)));
  await until('both agree', 10000, () => agree([lead, table]));
  await table.stop();
  await lead.stop();
  const alone = await table.issue(stack(1026, 5)); // on no other station
  const { log } = await table.status();
  const carry = join(folder, 'late.carry');
  await table.must(['carry', 'out', carry]);

  putBack(backup, table);
  const now = await table.status();
  assert.notEqual(now.log, log, 'it writes under numbers that were used');
  const alarm = now.alarms.find(({ name }) => name === 'missing');
  assert.match(alarm?.say ?? '', /^20 records .* older copy/, JSON.stringify(now.alarms));
  // nothing is waited for: issuing goes on, also of a bib whose chip is forgotten here
  kept.push(...await table.issue(stack(1031, 5)));

  lead.listen = table.peers[0];
  await lead.start();
  await table.start();
  await until('both agree', 10000, () => agree([lead, table]));
  const later = await table.status();
  assert.match(later.alarms.find(({ name }) => name === 'missing')?.say ?? '', /^5 records/);
  await assertKept([table, lead], kept);
  await table.stop();
  const said = (await table.run(['recover', '--wait', '0', '--json'])).json();
  assert.equal(said.rebuilt, false);
  assert.deepEqual(said.missing.map(({ log: which, from, to }) => [which, from, to]),
    [[log, 27, 31]]);
  // a copy of what was written over turns up: then nothing is missing any more
  await table.must(['recover', '--wait', '0', '--from', carry]);
  await assertKept([table], alone);
  assert.equal((await table.status()).alarms.find(({ name }) => name === 'missing'), undefined);
  await table.must(['verify', '--every']);
});

// The bytes of the one record that the carry file `after` has more than `before`. Records begin as
// common/record.cddl says.
function addedRecord(before, after) {
  const start = Buffer.from('d28443a10127a0', 'hex');
  const pieces = (file) => {
    const bytes = readFileSync(file);
    const found = [];
    for (let at = 0; at < bytes.length;) {
      const next = bytes.indexOf(start, at + 1);
      const end = next < 0 ? bytes.length : next;
      found.push(bytes.subarray(at, end));
      at = end;
    }
    return found;
  };
  const old = new Set(pieces(before).map((piece) => piece.toString('hex')));
  const added = pieces(after).filter((piece) => !old.has(piece.toString('hex')));
  assert.equal(added.length, 1);
  return added[0];
}

// A transaction that is cut off can leave its signed record in the files, and the next one has its
// number. Here that is made by hand: a record, everything put back, another one.
test('a record that was never committed does not come back as a branch', async (t) => {
  const folder = scratch(t);
  const [, table] = await makeEvent(folder, [local, local]);
  const kept = await table.issue(stack(1001, 5));
  const carry = ['a', 'b'].map((name) => join(folder, `${name}.carry`));
  await table.must(['carry', 'out', carry[0]]);
  const files = [ledgerOf(table.dir), join(table.dir, 'wake'), lastFile(table.dir)];
  const were = files.map((file) => readFileSync(file));
  await table.must(['issue', '1101']);
  await table.must(['carry', 'out', carry[1]]);
  const { log, number } = await table.status();
  files.forEach((file, i) => writeFileSync(file, were[i]));
  kept.push(...await table.issue([1201]));
  const now = await table.status();
  assert.deepEqual([now.log, now.number], [log, number], 'it is not the same number');

  // the stray record in what looks like a log left behind, and one turned byte in a derived table
  writeFileSync(walOf(table.dir), Buffer.concat([Buffer.alloc(100, 7), addedRecord(...carry)]));
  const bytes = readFileSync(ledgerOf(table.dir));
  let at = 0;
  do at = bytes.indexOf('1004', at + 1); while (bytes[at - 1] === 0x64); // CBOR's text(4): a record
  assert.ok(at > 0);
  bytes[at + 3] ^= 1;
  writeFileSync(ledgerOf(table.dir), bytes);
  assertRefused(await table.run(['status']), MACHINE);
  const said = await table.json(['recover', '--wait', '0']);
  assert.deepEqual(said.missing, []);
  assert.deepEqual((await table.status()).alarms, []);
  assert.equal((await table.json(['ask', '1101'])).state, 'unissued');
  await assertKept([table], kept);
  await table.must(['verify', '--every']);
});
