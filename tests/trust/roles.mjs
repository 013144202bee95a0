// roles.mjs: who may do what, on real processes: a reader that only asks, a table that lets nobody
// in, the event's key under its passphrase, a second lead who carries on when the first is dead, and
// files that nobody else can open.
import test from 'node:test';
import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { chmodSync, existsSync, lstatSync, readFileSync, readdirSync, renameSync, rmSync, statSync,
  symlinkSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { agree, assertRefused, atEnd, listed, makeEvent, must, program, run, scratch, stack, until }
  from '../field.mjs';
import { MACHINE, NO, WRONG, carry, letIn, local, meetEach } from './trust.mjs';

const passphrase = 'correct horse battery';

function endAll(t, stations) {
  atEnd(t, async () => {
    for (const station of stations) if (station.alive) await station.kill();
  });
}

test('a reader holds and asks, and writes nothing', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  const desk = await letIn(folder, lead, 'Info desk', ['--role', 'reader']);
  const all = [lead, table, desk];
  endAll(t, all);
  assert.equal((await desk.status()).role, 'reader');
  for (const words of [['issue', '1500'], ['void', 'deadbeef', '--reason', 'x'], ['close'],
    ['settle', '1001', '--keep', 'deadbeef'], ['allot', 'Info desk', '1-10'],
    ['admit', 'x', '--out', 'y'], ['retire', 'Lead', '--dead'],
    ['event', 'restore-root', '--from', 'x']]) {
    const answer = await desk.run(words);
    assertRefused(answer, NO);
    assert.match(answer.stderr, /may only read/);
  }
  await lead.start();
  for (const station of [table, desk]) {
    station.peers = [lead.address];
    await station.start();
  }
  await meetEach(all);
  const [{ record }] = await table.issue([1001]);
  await until('the desk knows', 10000, async () =>
    (await desk.json(['ask', '1001'])).issues[0]?.record === record);
  await until('all agree', 10000, () => agree(all));
  assertRefused(await desk.run(['issue', '1500']), NO); // in a running node too
  for (const station of [lead, table]) await station.must(['close']);
  await until('all agree', 10000, () => agree(all));
  const list = (await desk.must(['export', join(folder, 'list.csv'), '--json'])).json();
  assert.deepEqual(list.not_closed, [], 'nobody waits for the stick of a reader');
});

// The folder with the key of an event whose key is sealed, and the file with the passphrase.
async function sealedEvent(t) {
  const folder = scratch(t);
  const file = join(folder, 'passphrase');
  writeFileSync(file, `${passphrase}\n`);
  const [lead] = await makeEvent(folder, [local], { extra: ['--passphrase-file', file] });
  endAll(t, [lead]);
  return { folder, lead, file };
}

test('the event\'s key is sealed, and comes out for the acts that need it alone', async (t) => {
  const { folder, lead, file } = await sealedEvent(t);
  const wrong = join(folder, 'wrong');
  writeFileSync(wrong, 'correct horse batterz\n');
  const second = join(folder, 'second');
  await must(['--dir', second, 'join', '--name', 'Second', '--request', `${second}.request`]);
  const admit = ['admit', `${second}.request`, '--out', `${second}.grant`, '--role', 'lead'];
  for (const running of [false, true]) {
    if (running) await lead.start();
    const before = (await lead.status()).records;
    const refused = await lead.run([...admit, '--json']);
    assertRefused(refused, NO);
    assert.equal(refused.json().error, 'sealed');
    assertRefused(await lead.run([...admit, '--passphrase-file', wrong]), WRONG);
    assertRefused(await lead.run([...admit, '--passphrase-file', join(folder, 'none')]), WRONG);
    assert.equal((await lead.status()).records, before, 'a refused act left a record');
    assert.ok(!existsSync(`${second}.grant`), 'a refused act left a grant');
    // A table needs no passphrase.
    const table = await letIn(folder, lead, running ? 'Table 8' : 'Table 7', ['--bibs', '1-9']);
    await table.issue([running ? 8 : 7]);
  }
  // The node that runs has the key for this one act only: the next asks again.
  await lead.must([...admit, '--passphrase-file', file]);
  assertRefused(await lead.run(['retire', 'Second', '--dead']), NO);
  await lead.must(['retire', 'Second', '--dead', '--passphrase-file', file]);
  const log = readFileSync(lead.log, 'utf8');
  assert.doesNotMatch(log, /correct horse/);
  await lead.stop();
  await lead.must(['verify', '--every']);
});

test('without a terminal and a passphrase the key stays unsealed, and that is said', async (t) => {
  const folder = scratch(t);
  const words = (dir) => ['--dir', join(folder, dir), 'event', 'new', '--name', 'Kettle Hill Run',
    '--bibs', '1-10', '--scheme', 'own:1'];
  const plain = await must(words('a'));
  assert.match(plain.stderr, /^The event's key is not sealed[^\n]*\n$/);
  assert.match(plain.stdout, /second lead/);
  const meant = await must([...words('b'), '--unsealed', '--no-second-lead']);
  assert.equal(meant.stderr, '');
  assert.doesNotMatch(meant.stdout, /second lead/);
  const named = await must([...words('c'), '--unsealed', '--second-lead', 'Deputy']);
  assert.match(named.stdout, /join --name "Deputy" --request/);
  assert.match(named.stdout, /--role lead/);
  for (const extra of [['--unsealed', '--passphrase-file', 'x'],
    ['--second-lead', 'A', '--no-second-lead'], ['--passphrase-file', join(folder, 'none')]]) {
    assertRefused(await run([...words('d'), ...extra]), WRONG);
    assert.ok(!existsSync(join(folder, 'd')), 'half an event');
  }
  // A recovery file is sealed in any case.
  assertRefused(await run(['--dir', join(folder, 'b'), 'event', 'recovery', '--out',
    join(folder, 'rec')]), WRONG);
  assert.ok(!existsSync(join(folder, 'rec')));
});

// At a terminal, as `script` makes one: answers go in as typed, what is shown comes out.
function typed(folder, words, answers) {
  const command = [program, ...words].map((word) => `'${word}'`).join(' ');
  // Each answer is typed a moment after the last, for a silent terminal forgets what came before.
  const keys = answers.map((answer) => `sleep 0.4; printf '%s\\n' '${answer}'`).join('; ');
  return spawnSync('sh', ['-c', `{ ${keys}; sleep 2; } | script -qec "${command}" /dev/null`],
    { cwd: folder, encoding: 'utf8', timeout: 30000 });
}

test('at a terminal the passphrase is asked for twice, and not shown', (t) => {
  if (spawnSync('script', ['--version']).status !== 0) return t.skip('no script(1) here');
  const folder = scratch(t);
  const words = ['--dir', join(folder, 'lead'), 'event', 'new', '--name', 'Kettle Hill Run',
    '--bibs', '1-10', '--scheme', 'own:1'];
  const made = typed(folder, words, ['Deputy', 'short', passphrase, 'another thing', passphrase,
    passphrase]);
  assert.equal(made.status, 0, made.stdout);
  for (const part of ['too short', 'not the same', 'sealed with the passphrase', '"Deputy"']) {
    assert.ok(made.stdout.includes(part), `no ${part} in ${made.stdout}`);
  }
  assert.ok(!made.stdout.includes(passphrase), 'the passphrase was shown');
  const asked = typed(folder, ['--dir', join(folder, 'lead'), 'retire', 'Lead'],
    ['d', passphrase]);
  assert.equal(asked.status, 0, asked.stdout);
  assert.match(asked.stdout, /Lead is out, as dead/);
  assert.ok(!asked.stdout.includes(passphrase), 'the passphrase was shown');
});

test('the second lead carries on when the first lead\'s folder is gone', async (t) => {
  const { folder, lead, file } = await sealedEvent(t);
  const second = await letIn(folder, lead, 'Second', ['--role', 'lead', '--passphrase-file', file]);
  const table = await letIn(folder, lead, 'Table 1', ['--bibs', '1001-2000']);
  const recovery = join(folder, 'recovery');
  await lead.must(['event', 'recovery', '--out', recovery]);
  assert.equal(statSync(recovery).mode & 0o777, 0o600);
  assertRefused(await lead.run(['event', 'recovery', '--out', recovery]), WRONG);
  rmSync(lead.dir, { recursive: true });

  // It lets a table in, settles a double, and puts the dead lead out with the recovery file.
  const other = await letIn(folder, second, 'Table 2', ['--bibs', '2001-3000']);
  const [{ record }] = await table.issue([1500]);
  await other.must(['issue', '1500', '--reason', 'by mistake']);
  for (const station of [table, other]) await carry(station, second);
  assert.equal((await second.status()).doubles, 1);
  await second.must(['settle', '1500', '--keep', record]);
  assertRefused(await second.run(['retire', 'Lead', '--dead']), NO); // it has no root key
  const restore = ['event', 'restore-root', '--from', recovery, '--passphrase-file', file];
  assertRefused(await table.run(restore), NO);
  endAll(t, [second]);
  await second.start(); // into a running node too
  assertRefused(await second.run(restore.slice(0, 4)), NO);
  await second.must(restore);
  await second.must(['retire', 'Lead', '--dead', '--reason', 'fell', '--passphrase-file', file]);
  assert.equal(await second.stop(), 0);
  const third = await letIn(folder, second, 'Third', ['--role', 'lead', '--passphrase-file', file]);
  await third.must(['retire', 'Table 2', '--dead', '--replacement', 'Table 1']);
  await carry(third, table);
  await table.issue([2001]); // Table 2's numbers are its own now
  await carry(table, third);
  for (const station of [table, third]) await station.must(['close']);
  await carry(table, third);
  await carry(third, second);
  await second.must(['export', join(folder, 'list.csv')]);
  assert.equal((await listed(second)).size, 2);
  await second.must(['verify', '--every']);
});

test('a recovery file of another event, cut, or in its place a grant', async (t) => {
  const { folder, lead, file } = await sealedEvent(t);
  const other = join(folder, 'other');
  await must(['--dir', other, 'event', 'new', '--name', 'Mill Run', '--bibs', '1-10', '--scheme',
    'own:1', '--passphrase-file', file]);
  await must(['--dir', other, 'event', 'recovery', '--out', `${other}.rec`]);
  await lead.must(['event', 'recovery', '--out', `${lead.dir}.rec`]);
  writeFileSync(`${lead.dir}.cut`, readFileSync(`${lead.dir}.rec`).subarray(0, 200));
  const before = readFileSync(join(lead.dir, 'root.key'));
  for (const bad of [`${other}.rec`, `${lead.dir}.cut`, join(lead.dir, 'station.key'), 'none']) {
    assertRefused(await lead.run(['event', 'restore-root', '--from', bad, '--passphrase-file',
      file]), WRONG);
  }
  assert.deepEqual(readFileSync(join(lead.dir, 'root.key')), before);
});

// Every file and folder below, the folder itself too.
function everything(folder) {
  return [folder, ...readdirSync(folder).map((name) => join(folder, name))];
}

test('what a station keeps is closed to others, and refused where it is not', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  endAll(t, [lead, table]);
  await lead.start();
  table.peers = [lead.address];
  await table.start();
  await meetEach([lead, table]);
  await table.issue(stack(1001, 3));
  const stick = join(folder, 'stick');
  await table.must(['carry', 'out', stick]);
  const merged = join(folder, 'merged');
  await must(['merge', '--out', merged, stick]);
  const files = [...everything(lead.dir), ...everything(table.dir), ...everything(merged), stick,
    ...readdirSync(folder).filter((name) => name.startsWith('.')).map((name) => join(folder, name))];
  for (const name of ['control', 'peers', 'wake', 'ledger.db', 'station.key', 'lock']) {
    assert.ok(files.includes(join(table.dir, name)), `no ${name} in ${files}`);
  }
  for (const file of files) {
    assert.equal(lstatSync(file).mode & 0o077, 0, `${file} is open to others`);
  }
  // What was carried and merged proves itself.
  await must(['--dir', merged, 'verify', '--every']);
  assert.equal((await must(['--dir', merged, 'status', '--json'])).json().state_hash,
    (await table.status()).state_hash);
  await table.stop();
  for (const name of ['', 'ledger.db', 'station.key', 'wake', 'peers']) {
    const file = join(table.dir, name);
    const { mode } = statSync(file);
    chmodSync(file, mode | 0o044);
    assertRefused(await table.run(['status']), MACHINE);
    assertRefused(await table.run(['run', '--listen', '127.0.0.1:0']), MACHINE);
    chmodSync(file, mode);
  }
  renameSync(join(table.dir, 'ledger.db'), join(folder, 'elsewhere.db'));
  symlinkSync(join(folder, 'elsewhere.db'), join(table.dir, 'ledger.db'));
  assertRefused(await table.run(['status']), MACHINE);
  rmSync(join(table.dir, 'ledger.db'));
  renameSync(join(folder, 'elsewhere.db'), join(table.dir, 'ledger.db'));
  await table.must(['status']);
});

test('another user of the machine gets nothing from the control socket', async (t) => {
  if (process.getuid() !== 0) return t.skip('needs root, to be another user');
  const folder = scratch(t);
  const [lead] = await makeEvent(folder, [local]);
  endAll(t, [lead]);
  await lead.start();
  // Even with folder and socket open to all, which the program would not do.
  chmodSync(folder, 0o711);
  chmodSync(lead.dir, 0o711);
  chmodSync(join(lead.dir, 'control'), 0o666);
  const script = `
    const { connect } = require('node:net');
    const socket = connect(${JSON.stringify(join(lead.dir, 'control'))});
    // ["status", [], true, "/"], behind its length; a moment later, to hear a refusal first
    const ask = Buffer.from('0000000c84' + '66737461747573' + '80f5612f', 'hex');
    setTimeout(() => socket.writable && socket.write(ask), 500);
    socket.on('data', (data) => process.stdout.write(data));
    socket.on('error', (error) => process.stdout.write(String(error)));
    socket.on('close', () => process.exit(0));
    setTimeout(() => socket.destroy(), 2000);`;
  const ask = (uid) => spawnSync('setpriv', [`--reuid=${uid}`, `--regid=${uid}`, '--clear-groups',
    process.execPath, '-e', script], { encoding: 'latin1', cwd: '/' });
  const own = ask(0);
  assert.match(own.stdout, /heads_hash/, 'this test asks in a way that is not understood');
  const other = ask(65534);
  assert.equal(other.status, 0, other.stderr);
  assert.match(other.stdout, /another user/);
  assert.doesNotMatch(other.stdout, /heads_hash/);
  assert.equal((await lead.status()).running, true);
});
