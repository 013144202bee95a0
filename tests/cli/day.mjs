// day.mjs: what happens all day beside issuing: holds, looks, rolls, notes, changed numbers, runs
// that are done again. Without a node and with one running, over two stations.
//
// Exit statuses: 1 the state says no, 2 the input is wrong.
import test from 'node:test';
import assert from 'node:assert/strict';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { assertRefused, atEnd, epcOf, makeEvent, scratch, stack, until } from '../field.mjs';

const NO = 1;
const WRONG = 2;
const local = { listen: '127.0.0.1:0' };
const tid = (n) => `E280110520000000${String(n).padStart(8, '0')}`;

// What one station has, by file, to the other.
async function give(folder, from, to) {
  const file = join(folder, 'give.carry');
  await from.must(['carry', 'out', file, '--force']);
  await to.must(['carry', 'in', file]);
}

for (const running of [false, true]) {
  test(`holds, ${running ? 'in a running node' : 'without a node'}`, async (t) => {
    const [, table] = await makeEvent(scratch(t), [local, local]);
    if (running) {
      await table.start();
      atEnd(t, () => table.stop());
    }
    await table.issue(stack(1001, 3));
    await table.must(['hold', '1001', '1050', '--reason', 'wet', '--helper', 'AB']);
    await table.must(['hold', '1051', '--missing', '--reason', 'not in the box']);
    await table.must(['hold', '1052', '--reprint', '--reason', 'torn']);
    const holds = (await table.status()).holds;
    assert.deepEqual(holds.map(({ bib, how, reason, table: by, helper }) =>
      [bib, how, reason, by, helper]), [
      ['1001', 'held', 'wet', 'Table 1', 'AB'], ['1050', 'held', 'wet', 'Table 1', 'AB'],
      ['1051', 'missing', 'not in the box', 'Table 1', ''],
      ['1052', 'reprint', 'torn', 'Table 1', '']]);
    const { stdout } = await table.must(['status']);
    assert.match(stdout, /bibs held back: 4\n.*bib 1001 held back: Table 1, .*"wet"/);
    const asked = await table.json(['ask', '1051']);
    assert.equal(asked.hold.how, 'missing');
    assert.match((await table.must(['ask', '1052'])).stdout, /to be reprinted: .*"torn"/);
    // A bib that is given free, and one that is not held back.
    await table.must(['unhold', '1050', '1051']);
    assert.equal((await table.json(['ask', '1050'])).hold, null);
    assertRefused(await table.run(['unhold', '1050']), NO);
    // One of several is wrong: none is done.
    assertRefused(await table.run(['unhold', '1052', '1050']), NO);
    assert.equal((await table.json(['ask', '1052'])).hold.how, 'reprint');
    assertRefused(await table.run(['hold', '1060', 'x y', '--reason', 'wet']), WRONG);
    assert.equal((await table.json(['ask', '1060'])).hold, null);
    assertRefused(await table.run(['hold', '1060']), WRONG);
    assertRefused(await table.run(['hold', '--reason', 'wet']), WRONG);
    assertRefused(await table.run(['hold', '1060', '--missing', '--reprint', '--reason', 'x']),
      WRONG);
    await table.must(['verify']);
  });
}

test('what a lead holds back, a lead gives free', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  await lead.must(['hold', '1005', '--reason', 'not paid']);
  await give(folder, lead, table);
  assertRefused(await table.run(['unhold', '1005']), NO);
  assertRefused(await table.run(['hold', '1005', '--missing', '--reason', 'x']), NO);
  assert.equal((await table.json(['ask', '1005'])).hold.reason, 'not paid');
  await lead.must(['unhold', '1005', '--reason', 'paid']);
  await give(folder, lead, table);
  assert.equal((await table.json(['ask', '1005'])).hold, null);
});

test('what is held back is not chipped unasked', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  await table.must(['hold', '1005', '--reason', 'not paid']);
  await table.must(['hold', '1006', '--missing', '--reason', 'not in the box']);
  const refused = await table.run(['issue', '1005']);
  assertRefused(refused, NO);
  assert.match(refused.stderr, /^Bib 1005 is on hold: Table 1, .*not paid/);
  assertRefused(await table.run(['issue', '1005', '--reason', 'in a hurry']), NO);
  assertRefused(await table.run(['issue', '1006']), NO);
  await table.must(['issue', '1006', '--reason', 'it was behind the box']);
  await give(folder, table, lead);
  assertRefused(await lead.run(['issue', '1005']), NO);
  await lead.must(['issue', '1005', '--reason', 'paid at the desk']);
});

test('holds travel between running stations, and all end alike', async (t) => {
  const [lead, table] = await makeEvent(scratch(t), [local, local]);
  table.peers = [await lead.start()];
  atEnd(t, () => lead.stop());
  await table.start();
  atEnd(t, () => table.stop());
  await table.must(['hold', '1007', '--reason', 'wet']);
  await until('the lead hears of the hold', 20000,
    async () => (await lead.status()).holds.length === 1);
  await lead.must(['unhold', '1007']);
  await until('the table hears that it is free', 20000,
    async () => (await table.status()).holds.length === 0);
  assert.equal((await lead.status()).state_hash, (await table.status()).state_hash);
});

test('looks', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  await table.must(['issue', '1001', '--tag', `${epcOf(1001)}/${tid(1)}`]);
  await table.must(['issue', '1002', '--tag', `${epcOf(1002)}/${tid(2)}`]);
  const gone = (await table.must(['issue', '1003', '--tag', `${epcOf(1003)}/${tid(3)}`, '--json']))
    .json().record;
  await table.must(['void', gone, '--reason', 'does not answer']);
  const look = async (words) => {
    const answer = await table.run(['look', ...words, '--json']);
    return { status: answer.status, ...answer.json() };
  };
  const tag = (epc, n) => ['--tag', n === undefined ? epcOf(epc) : `${epcOf(epc)}/${tid(n)}`];
  const cases = [
    [['1001', ...tag(1001, 1)], 'right', 0],
    [['1001', ...tag(1001)], 'right', 0], // its TID was not read
    [['1001'], 'no_chip', NO],
    [['1001', ...tag(1002, 2)], 'other', NO],
    [['1001', ...tag(1001, 1), ...tag(1002, 2)], 'other', NO],
    [['1001', ...tag(1009)], 'other', NO], // of no list, but it carries another number
    [['1001', ...tag(1001, 9)], 'strange', NO], // the number is right, the chip is not
    [['1001', '--tag', 'ABCD'], 'strange', NO],
    [['1003', ...tag(1003, 3)], 'void', NO],
  ];
  for (const [words, verdict, status] of cases) {
    const seen = await look(words);
    assert.equal(seen.verdict, verdict, words.join(' '));
    assert.equal(seen.status, status, words.join(' '));
  }
  const { looks } = await table.json(['ask', '1001']);
  assert.deepEqual(looks.map(({ verdict }) => verdict),
    cases.filter(([[bib]]) => bib === '1001').map(([, verdict]) => verdict));
  assert.match((await table.must(['ask', '1003'])).stdout,
    /looked at: Table 1, .*: a chip that was taken back/);
  // Without a bib nothing is kept.
  const { records } = await table.status();
  const one = await look(tag(1001, 1));
  assert.deepEqual([one.status, one.tags[0].is, one.tags[0].issue.bib], [0, 'live', '1001']);
  assert.equal(one.behind, true, 'nobody is heard, so others may know more');
  const two = await look([...tag(1001, 1), ...tag(1002, 2)]);
  assert.deepEqual([two.status, two.two_numbers], [NO, true]);
  const same = await look([...tag(1001), ...tag(1001)]); // no TID tells the two apart
  assert.deepEqual([same.status, same.too_many, same.two_numbers], [NO, true, false]);
  assert.match((await table.run(['look', ...tag(1001), ...tag(1001)])).stdout,
    /One number on 2 chips, and a bib of this event has 1\./);
  assert.equal((await look(tag(1003, 3))).tags[0].is, 'dead');
  assert.equal((await look(tag(77))).tags[0].number, 77);
  assert.match((await table.run(['look', ...tag(77)])).stdout, /number 77 .* one of Lead's/);
  assert.equal((await look(['--tag', 'ABCD'])).tags[0].is, 'unknown');
  const strange = [ // [kind, EPC, what people are told]
    ['gs1', '3074257BF7194E4000001A85', /a shop's tag \(GS1 SGTIN-96\)/], // GS1 TDS, E.3
    ['other_event', `00001268${epcOf(42).slice(8)}`, /a chip of another event \(own\), number 42/],
    ['other_scheme', '3500E86F8000A9E000000586', /another event, of a scheme not used here/],
    ['blank', '000000000000000000000000', /: blank\./],
    ['blank', 'E28011052000000000000000', /: blank, as its maker/],
    ['unknown', 'ABCD', /a code that is not known here/],
  ];
  for (const [kind, epc, said] of strange) {
    const answer = await look(['--tag', epc]);
    assert.deepEqual([answer.tags[0].kind, answer.tags[0].is], [kind, 'unknown'], epc);
    assert.match((await table.run(['look', '--tag', epc])).stdout, said);
  }
  assertRefused(await table.run(['look']), WRONG);
  assertRefused(await table.run(['look', '--tag', 'xyz']), WRONG);
  assert.equal((await table.status()).records, records);
  // The same chip on two bibs.
  await table.must(['issue', '1004', '--tag', `${epcOf(1004)}/${tid(1)}`, '--reason', 'meant']);
  const shared = await look(tag(1001, 1));
  assert.deepEqual([shared.status, shared.tags[0].shared], [NO, true]);
  await give(folder, table, lead);
  assert.equal((await lead.json(['ask', '1001'])).looks.length, looks.length);
});

test('half of a pair', async (t) => {
  const [, table] = await makeEvent(scratch(t), [local, local],
    { extra: ['--tags-per-bib', '2'] });
  await table.must(['issue', '1001']);
  const tags = (count) => Array(count).fill(['--tag', epcOf(1001)]).flat();
  assert.equal((await table.must(['look', '1001', ...tags(2), '--json'])).json().verdict, 'right');
  const pair = await table.must(['look', ...tags(2), '--json']); // as it must be
  assert.equal(pair.json().too_many, false);
  assert.equal((await table.run(['look', ...tags(3), '--json'])).json().too_many, true);
  const half = await table.run(['look', '1001', ...tags(1), '--json']);
  assert.deepEqual([half.status, half.json().verdict], [NO, 'half']);
  assert.equal((await table.run(['look', '1001', ...tags(3), '--json'])).json().verdict, 'strange');
});

async function rollsOf(station, roll, scrapped, used, left = 2000 - scrapped - used) {
  const { rolls } = await station.json(['roll']);
  const of = rolls.find((one) => one.roll === roll);
  assert.deepEqual([of.used, of.scrapped, of.left], [used, scrapped, left]);
  return of.tables;
}

test('rolls and notes', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  const loaded = (await table.must(['roll', 'R 12', '--count', '2000', '--json'])).json();
  assert.deepEqual([loaded.roll, loaded.how, loaded.pair, loaded.count],
    ['R 12', 'loaded', false, 2000]);
  await table.must(['roll', 'R 12', '--scrapped', '--count', '3']);
  await table.must(['roll', 'R 12', '--removed']);
  assertRefused(await table.run(['roll', 'R 13', '--pair']), NO);
  assertRefused(await table.run(['roll', '']), WRONG);
  assertRefused(await table.run(['roll', 'R', '--count', 'many']), WRONG);
  assertRefused(await table.run(['roll', 'R', '--loaded', '--removed']), WRONG);
  await rollsOf(table, 'R 12', 3, 0);
  await table.must(['note', 'box B was wet', '--bib', '1001', '--helper', 'AB']);
  await table.must(['note', 'lunch at noon', '--table', 'lead']);
  assertRefused(await table.run(['note', 'x', '--table', 'Table 77']), NO);
  assertRefused(await table.run(['note', 'a\u001b[2Jb']), WRONG);
  assertRefused(await table.run(['note', 'x'.repeat(201)]), WRONG);
  await give(folder, table, lead);
  const all = (await lead.json(['note'])).notes;
  assert.deepEqual(all.map((note) => [note.text, note.bib, note.about]),
    [['box B was wet', '1001', null], ['lunch at noon', null, 'Lead']]);
  assert.match((await lead.must(['note', '--table', 'Lead'])).stdout,
    /^Lead, note: Table 1, [^\n]*: "lunch at noon"\n$/);
  assert.match((await lead.must(['note', '--bib', '1002'])).stdout, /no notes/);
  const { notes } = await lead.json(['ask', '1001']);
  assert.deepEqual(notes.map(({ text, table: by, helper }) => [text, by, helper]),
    [['box B was wet', 'Table 1', 'AB']]);
});

test('a pair roll where all bibs have two chips, and no single one', async (t) => {
  const [, table] = await makeEvent(scratch(t), [local, local],
    { extra: ['--tags-per-bib', '2'] });
  await table.must(['roll', 'P1', '--pair']);
  assertRefused(await table.run(['roll', 'S1']), NO);
});

test('a runner changes the number', async (t) => {
  const [, table] = await makeEvent(scratch(t), [local, local]);
  await table.issue(stack(1001, 4));
  const done = (await table.must(['change', '1001', '1050', '--json'])).json();
  assert.deepEqual([done.bib, done.old, done.same_chip, done.tags[0].epc],
    ['1050', '1001', false, epcOf(1050)]);
  const old = await table.json(['ask', '1001']);
  assert.equal(old.state, 'emptied');
  assert.equal(old.issues[0].ended.new_bib, '1050');
  assert.equal((await table.json(['ask', '1050'])).state, 'issued');
  assertRefused(await table.run(['change', '1001', '1051']), NO); // it has no chip any more
  assertRefused(await table.run(['change', '1002', '1003']), NO); // that has a chip
  assertRefused(await table.run(['change', '1002', '1002']), WRONG);
  assertRefused(await table.run(['change', '1002', '30000']), WRONG);
  assertRefused(await table.run(['change', '1002', '5']), NO); // another table's
  assertRefused(await table.run(['change', '1002', '1051', '--tag', epcOf(1052)]), WRONG);
  await table.must(['hold', '1051', '--reason', 'not paid']);
  assertRefused(await table.run(['change', '1002', '1051']), NO);
  assert.equal((await table.json(['ask', '1002'])).state, 'issued');
  // A late entry is nobody's.
  await table.must(['change', '1002', '19005', '--chip', 'destroyed']);
  assert.equal((await table.json(['ask', '1002'])).issues[0].ended.chip, 'destroyed');
});

test('a number that is held back, or nobody\'s: who may change to it', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  await table.issue([1001]);
  await lead.issue([1]);
  await lead.must(['hold', '2', '--reason', 'not paid']);
  await lead.must(['hold', '3', '--missing', '--reason', 'not in the box']);
  assertRefused(await lead.run(['change', '1', '2']), NO);
  await lead.must(['change', '1', '2', '--reason', 'paid now']); // as with issue
  await lead.must(['change', '2', '3']); // it is in hand now
  await table.must(['hold', '1002', '--reason', 'wet']);
  assertRefused(await table.run(['change', '1001', '1002', '--reason', 'all the same']), NO);
  assertRefused(await table.run(['change', '1001', '18000']), NO); // no table's number
  await table.must(['change', '1001', '18000', '--reason', 'a spare bib']);
});

test('a supplier\'s chip that goes on with another number', async (t) => {
  const folder = scratch(t);
  const [, table] = await makeEvent(folder, [local, local], { scheme: 'as-read' });
  const file = join(folder, 'list.csv');
  writeFileSync(file, 'bib,epc\n1001,AA01\n1002,AA02\n');
  await table.must(['issue', '--from', file]);
  await table.must(['look', '1001', '--tag', 'AA01']);
  await table.must(['change', '1001', '1050']);
  await table.must(['change', '1002', '1051']);
  assert.equal((await table.status()).unseen, 1); // nobody has read AA02
  await table.must(['look', '1051', '--tag', 'AA02']);
  assert.equal((await table.status()).unseen, 0);
});

test('where chips are taken as they come, the same chip goes on', async (t) => {
  const [, table] = await makeEvent(scratch(t), [local, local], { scheme: 'as-read' });
  await table.must(['issue', '1001', '--tag', 'AA01']);
  const done = (await table.must(['change', '1001', '1050', '--json'])).json();
  assert.deepEqual([done.same_chip, done.tags[0].epc], [true, 'AA01']);
  const seen = (await table.must(['look', '1050', '--tag', 'AA01', '--json'])).json();
  assert.equal(seen.verdict, 'right');
  assert.equal((await table.status()).shared, 0);
});

test('a run that is done again', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  await table.issue([...stack(1001, 70), ...stack(1080, 3)]);
  await lead.must(['issue', '1010', '--reason', 'lead']);
  await give(folder, lead, table);
  const done = (await table.must(['redo', '1005-1081', '--reason', 'out of step', '--json'])).json();
  assert.deepEqual(done.bibs, [...stack(1005, 66), 1080, 1081].map(String));
  assert.equal(done.others, 1);
  assert.equal((await table.json(['ask', '1004'])).state, 'issued');
  assert.equal((await table.json(['ask', '1005'])).state, 'emptied');
  assert.equal((await table.json(['ask', '1010'])).state, 'issued', "the lead's chip stays");
  assertRefused(await table.run(['redo', '1005-1009', '--reason', 'again']), NO);
  assertRefused(await table.run(['redo', '1001-1004']), WRONG);
  assertRefused(await table.run(['redo', '1004-1001', '--reason', 'x']), WRONG);
  assertRefused(await table.run(['redo', '1-2,4-5', '--reason', 'x']), WRONG);
  const said = await table.must(['redo', '1001-1100', '--reason', 'x']);
  assert.match(said.stdout, /Taken back: 5 bibs. To be chipped again: 1001-1004, 1082\.\n/);
  await table.must(['verify']);
});

test('a bib with half of its pair is called half, and keeps the list open', async (t) => {
  const folder = scratch(t);
  const [lead] = await makeEvent(folder, [local], { extra: ['--tags-per-bib', '2'] });
  const list = (name) => lead.run(['export', join(folder, name), '--json']);
  await lead.must(['issue', '101', '--half']);
  const again = await lead.run(['issue', '101']);
  assertRefused(again, NO);
  assert.match(again.stderr, /Bib 101 is half done: .*--extra REASON/);
  const open = await list('half.csv');
  assert.deepEqual([open.status, open.json().half], [NO, 1]);
  assert.match((await lead.must(['ask', '101'])).stdout,
    /^Bib 101: half, a chip of its set is missing\.\n/);
  const half = await lead.json(['ask', '101']);
  assert.deepEqual([half.state, half.half, half.outside], ['issued', true, false]);
  assert.equal((await lead.status()).half, 1);
  assert.match((await lead.must(['status'])).stdout, /bibs that are half, .*: 1\n/);
  await lead.must(['issue', '101', '--extra', 'the second of the pair']);
  assert.match((await lead.must(['ask', '101'])).stdout, /^Bib 101: chipped\.\n/);
  assert.equal((await lead.status()).half, 0);
  assert.doesNotMatch((await lead.must(['status'])).stdout, /half/);
  assert.match((await lead.run(['issue', '101'])).stderr, /Bib 101 already has a chip/);
  const full = await list('full.csv');
  assert.deepEqual([full.status, full.json().half], [0, 0]);
});

test('a bib that is chipped twice is called so by whoever would chip it again', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  await lead.must(['issue', '1001', '--reason', 'here', '--tag', `${epcOf(1001)}/${tid(1)}`]);
  await table.must(['issue', '1001', '--tag', `${epcOf(1001)}/${tid(2)}`]);
  await give(folder, table, lead);
  const again = await lead.run(['issue', '1001', '--reason', 'here']);
  assertRefused(again, NO);
  assert.match(again.stderr, /Bib 1001 is chipped twice: first by /);
});

test('a slip of the finger is told', async (t) => {
  const [lead] = await makeEvent(scratch(t), [local]);
  for (const [asked, said] of [
    ['99999', /^Bib 99999 is no number of this event\.\n/], ['0', /^Bib 0 is no number/],
    ['E28', /^Bib E28 is no number of this event\. If you mean a chip, type the whole number/],
    ['A12-B', /^Bib A12-B is no number of this event\.\n/], ['19500', /^Bib 19500: not chipped/],
  ]) {
    assert.match((await lead.must(['ask', asked])).stdout, said);
    const { state, outside } = await lead.json(['ask', asked]);
    assert.deepEqual([state, outside], ['unissued', asked !== '19500']);
  }
  assert.match((await lead.must(['hold', '99999', '--missing', '--reason', 'x'])).stdout,
    /Bib 99999 is not a number of this event/);
  assert.doesNotMatch((await lead.must(['hold', '1001', '--reason', 'x'])).stdout, /not a number/);
  const lines = await lead.run(['issue', '-', '--reason', 'lead'],
    { input: '1002\n\n1003 zz\n1004\n' });
  assert.equal(lines.status, WRONG);
  assert.match(lines.stderr, /line: 3\n/);
  assert.match(lines.stdout, /Bib 1002 .*\nBib 1004 /);
  const [{ record }] = (await lead.json(['ask', '1002'])).issues;
  const unread = await lead.run(['void', `${record.slice(0, 8)}zz`, '--reason', 'x']);
  assertRefused(unread, WRONG);
  assert.match(unread.stderr, /`ask BIB` shows/);
});
