// folder.mjs: a data folder that is missing, not ours, of another event, newer than the program,
// or open to others: refused with a sentence, and left as it was.
//
// File positions are those of the SQLite file format (sqlite.org/fileformat2.html, section 1.3):
// user version at 60, application id at 68, both four bytes, big-endian.
import test from 'node:test';
import assert from 'node:assert/strict';
import { chmodSync, closeSync, copyFileSync, cpSync, existsSync, mkdirSync, openSync, readFileSync,
  readSync, renameSync, truncateSync, writeFileSync, writeSync } from 'node:fs';
import { join } from 'node:path';
import { assertKept, assertRefused, atEnd, makeEvent, run, scratch, stack } from '../field.mjs';

const NO = 1; // it waits for its grant: the state says no
const WRONG = 2;
const MACHINE = 3;
const local = { listen: '127.0.0.1:0' };
const verbs = [['status'], ['issue', '1011'], ['doubles'], ['verify'], ['run', '--listen',
  '127.0.0.1:0']];

async function assertAllRefused(dir, status) {
  for (const words of verbs) {
    assertRefused(await run(['--dir', dir, ...words], { within_ms: 20000 }), status);
  }
}

// A table with ten chipped bibs, not running, and its folder as it was.
async function table(t) {
  const folder = scratch(t);
  const [, station] = await makeEvent(folder, [local, local]);
  const kept = await station.issue(stack(1001, 10));
  return { folder, station, kept, ledger: join(station.dir, 'ledger.db') };
}

function bytesAt(file, position, bytes) {
  const fd = openSync(file, 'r+');
  const before = Buffer.alloc(bytes.length);
  readSync(fd, before, 0, bytes.length, position);
  writeSync(fd, bytes, 0, bytes.length, position);
  closeSync(fd);
  return before;
}

test('no folder', async (t) => {
  const dir = join(scratch(t), 'nowhere');
  await assertAllRefused(dir, WRONG);
  assert.ok(!existsSync(dir), 'asking made the folder');
});

test('a folder without an event, and a file instead of a folder', async (t) => {
  const folder = scratch(t);
  const empty = join(folder, 'empty');
  mkdirSync(empty, { mode: 0o700 });
  await assertAllRefused(empty, WRONG);
  const file = join(folder, 'file');
  writeFileSync(file, 'notes\n');
  await assertAllRefused(file, MACHINE);
  assert.equal(readFileSync(file, 'utf8'), 'notes\n');
});

test('a folder that waits for its grant', async (t) => {
  const folder = scratch(t);
  const dir = join(folder, 'late');
  assert.equal((await run(['--dir', dir, 'join', '--name', 'Late', '--request', join(folder, 'r')]))
    .status, 0);
  await assertAllRefused(dir, NO);
});

test('a ledger that is no SQLite file, or of another program', async (t) => {
  const { station, kept, ledger } = await table(t);
  const before = bytesAt(ledger, 68, Buffer.from('0f055112', 'hex')); // another application's id
  await assertAllRefused(station.dir, MACHINE);
  bytesAt(ledger, 68, before);
  renameSync(ledger, `${ledger}.aside`);
  writeFileSync(ledger, 'once upon a time\n'.repeat(1000), { mode: 0o600 });
  await assertAllRefused(station.dir, MACHINE);
  assert.equal(readFileSync(ledger, 'utf8').slice(0, 4), 'once');
  renameSync(`${ledger}.aside`, ledger);
  await assertKept([station], kept);
});

test('a ledger that a newer program wrote', async (t) => {
  const { station, kept, ledger } = await table(t);
  const before = bytesAt(ledger, 60, Buffer.from([0, 0, 0x7f, 0xff]));
  const answer = await station.run(['status']);
  assertRefused(answer, MACHINE);
  assert.match(answer.stderr, /newer/);
  await assertAllRefused(station.dir, MACHINE);
  bytesAt(ledger, 60, before);
  await assertKept([station], kept);
});

test('a ledger cut short, or with a page that is not what it was', async (t) => {
  const { folder, station, kept, ledger } = await table(t);
  const whole = join(folder, 'whole');
  copyFileSync(ledger, whole);
  const size = readFileSync(ledger).length;
  truncateSync(ledger, Math.floor(size / 2 / 4096) * 4096);
  assertRefused(await station.run(['verify']), MACHINE);
  copyFileSync(whole, ledger);
  // a record's own bytes: SQLite cannot see it, the hash chain does
  const at = readFileSync(ledger).indexOf(Buffer.from('a10127', 'hex')) + 40;
  assert.ok(at > 40, 'no record found in the ledger');
  const before = bytesAt(ledger, at, Buffer.from([0x5a]));
  const other = before[0] === 0x5a ? 0x5b : 0x5a;
  bytesAt(ledger, at, Buffer.from([other]));
  assertRefused(await station.run(['verify', '--every']), MACHINE);
  copyFileSync(whole, ledger);
  await station.must(['verify', '--every']);
  await assertKept([station], kept);
});

test('a folder or key that others can open', async (t) => {
  const { station, kept } = await table(t);
  chmodSync(station.dir, 0o755);
  await assertAllRefused(station.dir, MACHINE);
  chmodSync(station.dir, 0o700);
  const key = join(station.dir, 'station.key');
  chmodSync(key, 0o644);
  await assertAllRefused(station.dir, MACHINE);
  chmodSync(key, 0o600);
  await assertKept([station], kept);
});

test('keys or ledger of another event', async (t) => {
  const { folder, station, kept, ledger } = await table(t);
  const strange = join(folder, 'strange');
  mkdirSync(strange, { mode: 0o700 });
  const [, other] = await makeEvent(strange, [local, local]);
  const own = join(folder, 'own');
  cpSync(station.dir, own, { recursive: true });
  copyFileSync(join(other.dir, 'ledger.db'), ledger);
  for (const words of [['status'], ['issue', '1011']]) {
    const answer = await station.run(words);
    assert.ok(answer.status === WRONG || answer.status === MACHINE, answer.stderr);
    assertRefused(answer, answer.status);
  }
  copyFileSync(join(own, 'ledger.db'), ledger);
  await assertKept([station], kept);
});

test('a grant for another station, of another event, or damaged', async (t) => {
  const folder = scratch(t);
  const [lead] = await makeEvent(folder, [local]);
  const file = (name) => join(folder, name);
  for (const name of ['a', 'b']) {
    assert.equal((await run(['--dir', file(name), 'join', '--name', name, '--request',
      file(`${name}.request`)])).status, 0);
    await lead.must(['admit', file(`${name}.request`), '--out', file(`${name}.grant`)]);
  }
  assertRefused(await run(['--dir', file('a'), 'join', '--grant', file('b.grant')]), WRONG);
  const grant = readFileSync(file('a.grant'));
  for (const [name, bytes] of [
    ['cut', grant.subarray(0, grant.length - 10)],
    ['half', grant.subarray(0, grant.length / 2)],
    ['flipped', Buffer.concat([grant.subarray(0, 20), Buffer.from([grant[20] ^ 1]),
      grant.subarray(21)])],
    ['empty', Buffer.alloc(0)],
    ['request', readFileSync(file('a.request'))],
    ['text', Buffer.from('hello\n')],
  ]) {
    writeFileSync(file(`${name}.bad`), bytes);
    await t.test(`grant: ${name}`, async () => {
      assertRefused(await run(['--dir', file('a'), 'join', '--grant', file(`${name}.bad`)]), WRONG);
    });
  }
  for (const name of ['text.bad', 'empty.bad', 'a.grant']) {
    await t.test(`request: ${name}`, async () => {
      assertRefused(await lead.run(['admit', file(name), '--out', file('x.grant')]), WRONG);
      assert.ok(!existsSync(file('x.grant')), 'a grant was written');
    });
  }
  assert.equal((await run(['--dir', file('a'), 'join', '--grant', file('a.grant')])).status, 0);
  assert.equal((await run(['--dir', file('a'), 'status'])).status, 0);
});

test('a folder that is in use: commands go to the node, a second node is refused', async (t) => {
  const { station } = await table(t);
  atEnd(t, () => station.alive && station.kill());
  await station.start();
  await station.must(['issue', '1011']);
  assertRefused(await station.run(['run', '--listen', '127.0.0.1:0']), MACHINE);
  assert.equal(await station.stop(), 0);
  await station.must(['issue', '1012']);
  assertRefused(await station.run(['run', '--listen', '192.0.2.1:7117']), MACHINE); // not ours
  await station.must(['issue', '1013']);
});
