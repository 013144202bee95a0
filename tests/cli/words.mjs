// words.mjs: wrong words on the command line: each gets its exit status and a sentence, the same
// with a node running on the folder and without, and nothing is changed by it.
//
// Exit statuses: 1 the state says no, 2 the input is wrong.
import test from 'node:test';
import assert from 'node:assert/strict';
import { assertKept, assertRefused, atEnd, epcOf, makeEvent, run, scratch, stack } from
  '../field.mjs';

const NO = 1;
const WRONG = 2;
const local = { listen: '127.0.0.1:0' };
const tid = 'E28011052000000012345678';

// [what it shows, exit status, words]; Table 1 has bibs 1001 to 2000, and 1001 to 1010 are chipped.
const refusals = [
  ['a bib with a blank in it', WRONG, ['issue', '10 11']],
  ['a bib with a sign in it', WRONG, ['issue', '10/11']],
  ['a bib with a letter of another alphabet', WRONG, ['issue', '10\u00e4']],
  ['a bib that is markup', WRONG, ['issue', '<b>1011</b>']],
  ['a bib that is a spreadsheet formula', WRONG, ['issue', '=1011']],
  ['an empty bib', WRONG, ['issue', '']],
  ['a bib of 13 characters', WRONG, ['issue', 'A123456789012']],
  ['a bib of 10,000 characters', WRONG, ['issue', '1'.repeat(10000)]],
  ['a bib outside the event', WRONG, ['issue', '30000']],
  ['bib 0, outside the event', WRONG, ['issue', '0']],
  ['a label with letters, which the scheme cannot hold', WRONG, ['issue', 'A-17']],
  ['an EPC that is not hex', WRONG, ['issue', '1011', '--tag', '300833B2DDD9014000000ZZZ']],
  ['an EPC of an odd number of digits', WRONG, ['issue', '1011', '--tag', epcOf(1011) + '0']],
  ['an EPC that is not whole words', WRONG, ['issue', '1011', '--tag', epcOf(1011) + '00']],
  ['an empty EPC', WRONG, ['issue', '1011', '--tag', '']],
  ['an EPC that is too long', WRONG, ['issue', '1011', '--tag', '00'.repeat(64)]],
  // GS1's own example of a GID-96, as quoted in several public test suites
  ['an EPC of another scheme', WRONG, ['issue', '1011', '--tag', '350007AB70425D4000000586']],
  ['the EPC of another bib', WRONG, ['issue', '1011', '--tag', epcOf(1012)]],
  ['a TID that is not hex', WRONG, ['issue', '1011', '--tag', `${epcOf(1011)}/E28011xx`]],
  ['a TID of an odd number of digits', WRONG, ['issue', '1011', '--tag', `${epcOf(1011)}/${tid}0`]],
  ['a TID of no known class', WRONG, ['issue', '1011', '--tag', `${epcOf(1011)}/11223344`]],
  ['a TID that is too long', WRONG, ['issue', '1011', '--tag', `${epcOf(1011)}/${tid.repeat(4)}`]],
  ['an empty TID', WRONG, ['issue', '1011', '--tag', `${epcOf(1011)}/`]],
  ['five tags', WRONG, ['issue', '1011', ...stack(0, 5).flatMap(() => ['--tag', epcOf(1011)])]],
  ['no bib', WRONG, ['issue']],
  ['two bibs', WRONG, ['issue', '1011', '1012']],
  ['an option that does not exist', WRONG, ['issue', '1011', '--colour', 'red']],
  ['an option without its value', WRONG, ['issue', '1011', '--reason']],
  ['a reason of 300 bytes', WRONG, ['issue', '30000', '--reason', 'x'.repeat(300)]],
  ['initials of 9 letters', WRONG, ['issue', '1011', '--helper', 'ABCDEFGHI']],
  ['a place that no chip can be in', WRONG,
    ['issue', '1001', '--replace', 'does not answer', '--chip', 'moon']],
  ['a way of giving the bib that does not exist', WRONG, ['issue', '1011', '--how', 'guess']],
  ['a bib that is chipped', NO, ['issue', '1001']],
  ['a bib that is chipped, typed with zeros before', NO, ['issue', '0001001']],
  ["another table's bib", NO, ['issue', '5']],
  ['a void of what is no record id', WRONG, ['void', 'hello', '--reason', 'test']],
  ['a void of too few digits', WRONG, ['void', 'abcdef', '--reason', 'test']],
  ['a void of a record that is not here', NO, ['void', '0'.repeat(64), '--reason', 'test']],
  ['a void without a reason', WRONG, ['void', '0'.repeat(64)]],
  ['settling for a record that is not here', NO, ['settle', '1001', '--keep', '0'.repeat(64)]],
  ['settling without saying for what', WRONG, ['settle', '1001']],
  ['asking for what is neither bib nor tag', WRONG, ['ask', 'who?']],
  ['asking for nothing', WRONG, ['ask']],
  ['a table that lets others in', NO, ['admit', '/nowhere/request', '--out', '/nowhere/g']],
  ['a table that puts another out', NO, ['retire', 'Lead', '--dead']],
  ['a verb that does not exist', WRONG, ['frobnicate']],
  ['ranges the wrong way round', WRONG, ['allot', 'Table 1', '20-10']],
  ['ranges that are none', WRONG, ['allot', 'Table 1', 'ten']],
  ['numbers outside the event', WRONG, ['allot', 'Table 1', '19000-20001']],
  ['numbers of which some are outside', WRONG, ['allot', 'Table 1', '1001-2000,25000']],
  ['a station that is not known', NO, ['allot', 'Table 77', '20-30']],
];

// Not tried: a refused command must not even take the record that shows nothing was changed.
async function picture(station) {
  const { records, heads_hash, state_hash } = await station.status();
  return { records, heads_hash, state_hash };
}

for (const running of [false, true]) {
  test(`refused ${running ? 'by a running node' : 'without a node'}`, async (t) => {
    const [, table] = await makeEvent(scratch(t), [local, local]);
    const kept = await table.issue(stack(1001, 10));
    if (running) {
      atEnd(t, () => table.alive && table.kill());
      await table.start();
    }
    const before = await picture(table);
    for (const [what, status, words] of refusals) {
      await t.test(what, async () => {
        assertRefused(await table.run(words), status);
        const asJson = await table.run(['--json', ...words]);
        assert.equal(asJson.status, status);
        const { error, say } = asJson.json();
        assert.ok(error && say, `no error and say in ${asJson.stdout}`);
      });
    }
    assert.deepEqual(await picture(table), before, 'a refused command changed something');
    await assertKept([table], kept);
    // the table is as ready as before, and what needs a reason goes with one
    await table.must(['issue', '1011']);
    await table.must(['issue', '30000', '--reason', 'printed by hand']);
  });
}

test('a wrong line in a stack is answered, and the stack goes on', async (t) => {
  const [, table] = await makeEvent(scratch(t), [local, local]);
  const lines = ['1001', 'what?', '1002 nothex', '1003', '1001', '', '1004'];
  const answer = await table.run(['issue', '-', '--json'], { input: `${lines.join('\n')}\n` });
  assert.equal(answer.status, 2, answer.stderr);
  for (const [bib, state] of [[1001, 'issued'], [1002, 'unissued'], [1003, 'issued'],
    [1004, 'issued']]) {
    assert.equal((await table.json(['ask', String(bib)])).state, state, `bib ${bib}`);
  }
});

test('the answer to a chip of another bib names that bib', async (t) => {
  const [, table] = await makeEvent(scratch(t), [local, local]);
  const answer = await table.run(['issue', '1011', '--tag', epcOf(1012)]);
  assertRefused(answer, WRONG);
  assert.match(answer.stderr, /1012/);
});

test('numbers that change hands are said to', async (t) => {
  const [lead] = await makeEvent(scratch(t), [local, local, local]);
  await lead.must(['ticket', 'Table 9', '--bibs', '5001-5100']);
  const given = await lead.json(['allot', 'Table 2', '1901-2000,5051-5200,8001-8010']);
  assert.equal(given.bibs, '1901-2000, 5051-5200, 8001-8010');
  assert.equal(given.notes.length, 2, given.notes.join('\n'));
  assert.match(given.notes[0], /^Bibs 1901-2000 were with Table 1 until now/);
  assert.match(given.notes[1], /^Bibs 5051-5100 are also in the ticket for Table 9, which is still open/);
  const again = await lead.must(['allot', 'Lead', '1901-2000']);
  assert.match(again.stdout, /^Lead has bibs 1901-2000\.\nBibs 1901-2000 were with Table 2/);
  assert.deepEqual((await lead.json(['allot', 'Lead', '9001-9010'])).notes, []);
});

test('an event that cannot be made is refused, and leaves no folder', async (t) => {
  const folder = scratch(t);
  const good = { name: 'Kettle Hill Run', bibs: '1-2000', scheme: 'own:4711' };
  const wrong = [
    ['bibs', '1-'], ['bibs', '2000-1'], ['bibs', 'all'], ['bibs', ''], ['scheme', 'own:0'],
    ['scheme', 'own:4294967296'], ['scheme', 'gid96:268435456:1'], ['scheme', 'gid96:1:16777216'],
    ['scheme', 'sgtin'], ['name', ''], ['name', 'x'.repeat(201)], ['tags-per-bib', '0'],
    ['tags-per-bib', '5'], ['tags-per-bib', 'two'], ['late', '0-x'], ['listen', 'everywhere'],
    ['listen', '127.0.0.1:70000'],
  ];
  for (const [key, value] of wrong) {
    await t.test(`--${key} "${value.slice(0, 20)}"`, async () => {
      const words = Object.entries({ ...good, [key]: value })
        .flatMap(([name, text]) => [`--${name}`, text]);
      const dir = `${folder}/e`;
      assertRefused(await run(['--dir', dir, 'event', 'new', ...words]), WRONG);
      assert.equal((await run(['--dir', dir, 'status'])).status !== 0, true);
      // the folder can still become an event's
    });
  }
  const words = Object.entries(good).flatMap(([name, text]) => [`--${name}`, text]);
  assert.equal((await run(['--dir', `${folder}/e`, 'event', 'new', ...words])).status, 0);
  assertRefused(await run(['--dir', `${folder}/e`, 'event', 'new', ...words]), WRONG);
});

test('a word that is no command is the one that is named', async (t) => {
  const [, table] = await makeEvent(scratch(t), [local, local]);
  for (const [words, named] of [[['isue', '5'], /no command isue/], [['event', 'gone'], /Behind event/]]) {
    const answer = await table.run(words);
    assertRefused(answer, WRONG);
    assert.match(answer.stderr, named);
  }
});
