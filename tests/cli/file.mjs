// file.mjs: `issue --from`: a supplier's list of chips that came written. Exit statuses as ever.
import test from 'node:test';
import assert from 'node:assert/strict';
import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { assertRefused, atEnd, epcOf, makeEvent, scratch, stack } from '../field.mjs';

const NO = 1;
const WRONG = 2;
const local = { listen: '127.0.0.1:0' };
const tid = (n) => `E280110520000000${String(n).padStart(8, '0')}`;
const list = (bibs) => `bib,epc,tid\r\n${bibs.map((bib) =>
  `${bib},${epcOf(bib)},${tid(bib)}\r\n`).join('')}`;

// Writes a file and takes it.
async function take(station, folder, text, words = []) {
  const file = join(folder, 'supplier.csv');
  writeFileSync(file, text);
  const answer = await station.run(['issue', '--from', file, '--json', ...words]);
  return { ...answer, ...(answer.stdout ? answer.json() : {}) };
}

for (const running of [false, true]) {
  test(`a list is taken, ${running ? 'by a running node' : 'without a node'}`, async (t) => {
    const folder = scratch(t);
    const [, table] = await makeEvent(folder, [local, local]);
    if (running) {
      await table.start();
      atEnd(t, () => table.stop());
    }
    const bibs = stack(1001, 300);
    const first = await take(table, folder, list(bibs), ['--helper', 'AB']);
    assert.deepEqual([first.status, first.recorded, first.already], [0, 300, 0], first.stderr);
    const { issues: [issue] } = await table.json(['ask', '1001']);
    assert.deepEqual([issue.how, issue.helper, issue.tags[0].tid], ['file', 'AB', tid(1001)]);
    const { records } = await table.status();
    const again = await take(table, folder, list([...bibs, 1500]));
    assert.deepEqual([again.status, again.recorded, again.already], [0, 1, 300]);
    assert.equal((await table.status()).records, records + 1);
    await table.must(['verify']);
  });
}

test('files as other programs write them', async (t) => {
  const folder = scratch(t);
  const [, table] = await makeEvent(folder, [local, local]);
  const texts = [
    `\ufeffBIB;EPC\n1001;${epcOf(1001)}\n`, // semicolons, a byte-order mark, capitals, no TID
    `epc\tname\tbib\r${epcOf(1002)}\t"a ""b"""\t1002\r`, // another order, a column of no use
    `bib,epc\n\n"1003", ${epcOf(1003).toLowerCase()} \n\n`, // empty lines, blanks, small letters
    'bib,epc\n', // no chips at all
  ];
  const recorded = [];
  for (const text of texts) recorded.push((await take(table, folder, text)).recorded);
  assert.deepEqual(recorded, [1, 1, 1, 0]);
});

test('wrong lines are named, and nothing is recorded', async (t) => {
  const folder = scratch(t);
  const [, table] = await makeEvent(folder, [local, local]);
  await table.must(['issue', '1001', '--tag', `${epcOf(1001)}/${tid(1)}`]);
  const { records } = await table.status();
  const row = (bib, epc = bib, chip = bib) => `${bib},${epcOf(epc)},${tid(chip)}\n`;
  const cases = [ // [what is wrong, its lines, status, numbers of the wrong lines]
    ['a number of no event', row(1002) + row(30000), WRONG, [3]],
    ['a chip of another number', row(1003) + row(1004, 1005), WRONG, [3]],
    ['no hex', `1003,xyz,\n${row(1004)}`, WRONG, [2]],
    ['no label', `"10 03",${epcOf(1003)},\n`, WRONG, [2]],
    ['a TID of no class', `1003,${epcOf(1003)},11223344\n`, WRONG, [2]],
    ['a quotation mark', `1003,${epcOf(1003)}"x,\n${row(30000)}`, WRONG, [2, 3]],
    ['one bib twice', row(1003) + row(1004) + row(1003, 1003, 9), WRONG, [2]],
    ['one chip twice', row(1003) + row(1004, 1004, 1003), WRONG, [3]],
    ['a bib with another chip', row(1003) + row(1001), NO, [3]],
    ['a chip of another bib', row(1003) + row(1004, 1004, 1), NO, [3]],
  ];
  for (const [what, rows, status, lines] of cases) {
    const answer = await take(table, folder, `bib,epc,tid\n${rows}`);
    assertRefused(answer, status);
    assert.deepEqual(answer.bad.map(({ line }) => line), lines, what);
    assert.match(answer.stderr, new RegExp(`line ${lines[0]}: `), what);
  }
  assertRefused(await take(table, folder, ''), WRONG);
  assertRefused(await take(table, folder, 'number,chip\n1,2\n'), WRONG);
  assertRefused(await table.run(['issue', '--from', join(folder, 'none.csv')]), WRONG);
  assertRefused(await table.run(['issue', '1005', '--from', join(folder, 'none.csv')]), WRONG);
  assertRefused(await table.run(['issue', '--from', 'x', '--half']), WRONG);
  assert.equal((await table.status()).records, records);
});

test('not yet seen until one is read', async (t) => {
  const folder = scratch(t);
  const [, table] = await makeEvent(folder, [local, local]);
  await take(table, folder, list(stack(1001, 3)));
  await table.must(['issue', '1004']); // typed: nobody's list
  const unseen = async () => {
    const asked = [];
    for (const bib of ['1001', '1002', '1003', '1004']) {
      asked.push((await table.json(['ask', bib])).issues[0].unseen);
    }
    const file = join(folder, 'list.csv');
    const exported = await table.run(['export', file, '--force', '--json']);
    const marked = readFileSync(file, 'utf8').split('\r\n')
      .filter((row) => row.endsWith(',not seen yet')).map((row) => row.split(',')[0]);
    return [(await table.status()).unseen, exported.json().unseen, marked, asked];
  };
  const none = [3, 3, ['1001', '1002', '1003'], [1, 1, 1, 0]];
  assert.deepEqual(await unseen(), none);
  assert.match((await table.run(['ask', '1001'])).stdout, /not seen yet/);
  assert.match((await table.run(['status'])).stdout, /nobody has read yet: 3/);
  // Looked at without its bib, or with nothing heard: nothing is kept of the chip.
  const held = await table.run(['look', '--tag', `${epcOf(1001)}/${tid(1001)}`]);
  assert.equal(held.status, 0);
  assert.match(held.stdout, /nobody has read it yet: look at its bib/);
  assert.equal((await table.run(['look', '1001'])).status, NO);
  assert.deepEqual(await unseen(), none);
  await table.must(['look', '1001', '--tag', `${epcOf(1001)}/${tid(1001)}`]);
  await table.must(['look', '1002', '--tag', epcOf(1002)]); // a reader that reads no TID
  assert.equal((await table.run(['look', '1003', '--tag', `${epcOf(1003)}/${tid(9)}`])).status, NO);
  assert.deepEqual(await unseen(), [1, 1, ['1003'], [0, 0, 1, 0]]);
  assert.doesNotMatch((await table.run(['ask', '1001'])).stdout, /not seen yet/);
  await table.must(['verify']);
});

test('a bib that is held back is left out', async (t) => {
  const folder = scratch(t);
  const [, table] = await makeEvent(folder, [local, local]);
  await table.must(['hold', '1002', '--reason', 'not paid']);
  await table.must(['hold', '1003', '--missing', '--reason', 'not in the box']);
  const answer = await take(table, folder, list(stack(1001, 3)));
  assert.deepEqual([answer.status, answer.recorded], [NO, 2]);
  assert.deepEqual(answer.left_out.map(({ bib }) => bib), ['1002']);
  assert.match(answer.left_out[0].why, /not paid/);
});

test('pairs: two lines for a bib, and no fewer', async (t) => {
  const folder = scratch(t);
  const [, table] = await makeEvent(folder, [local, local],
    { extra: ['--tags-per-bib', '2'] });
  const rows = (bib, tids) => tids.map((n) => `${bib},${epcOf(bib)},${tid(n)}\n`).join('');
  const short = await take(table, folder, `bib,epc,tid\n${rows(1001, [1, 2])}${rows(1002, [3])}`);
  assertRefused(short, WRONG);
  assert.deepEqual(short.bad.map(({ line }) => line), [4]);
  const whole = `bib,epc,tid\n${rows(1001, [1])}${rows(1002, [3, 4])}${rows(1001, [2])}`;
  assert.equal((await take(table, folder, whole)).recorded, 2);
  assert.equal((await take(table, folder, whole)).already, 2);
  const { issues: [issue] } = await table.json(['ask', '1001']);
  assert.deepEqual(issue.tags.map((tag) => tag.tid), [tid(1), tid(2)]);
  assert.equal(issue.half, false);
});
