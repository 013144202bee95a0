// proof.mjs: a stack is planned, looked at and proven; a shift is found by halves, redone, and the
// stack proven after all. Sizes and draws themselves: unit/test_sample.c, outside/sample.mjs.
import test from 'node:test';
import assert from 'node:assert/strict';
import { assertRefused, atEnd, epcOf, makeEvent, scratch, stack, told } from '../field.mjs';

const local = { listen: '127.0.0.1:0' };
const STACK = '1001-1200';
const aim = ['--wrong-at-most', '5%', '--confidence', '95%'];

// A table with 1001 to 1200 chipped, but for 1100 and 1101; 1050 is on hold.
async function makeStack(t) {
  const [, table] = await makeEvent(scratch(t), [local, local]);
  await table.issue(stack(1001, 200).filter((bib) => bib !== 1100 && bib !== 1101));
  await table.must(['hold', '1050', '--reason', 'number stands twice in the list']);
  return table;
}

async function plan(table, words) {
  return table.json(['proof', 'plan', ...words]);
}
async function proof(table, words = ['--stack', STACK, ...aim]) {
  const answer = await table.run(['proof', ...words, '--json']);
  assert.ok(answer.status === 0 || answer.status === 1, told(answer));
  return { status: answer.status, ...answer.json() };
}
// Somebody scans a bib of the stack; on it is the chip of bib `chip`, or none.
async function look(table, bib, chip, name = STACK) {
  const tag = chip === undefined ? [] : ['--tag', epcOf(chip)];
  const answer = await table.run(['look', `${bib}`, ...tag, '--stack', name]);
  assert.equal(answer.status, chip === bib ? 0 : 1, told(answer));
}

test('how many of a number of bibs', async (t) => {
  const [, table] = await makeEvent(scratch(t), [local, local]);
  // 59 of any large lot, all right: with 95 % fewer than 5 % are wrong; and the last bib.
  assert.equal((await plan(table, ['--stack', '1000000', ...aim])).needed, 60);
  // The rule of three, 3/n, has 300 for 1 %: exactly it is 298 and the last bib, for more than 1 %
  // wrong is 10,001 bibs.
  const one = ['--wrong-at-most', '1%', '--confidence', '95%'];
  assert.equal((await plan(table, ['--stack', '1000000', ...one])).needed, 299);
  // None may be wrong: all but one in twenty.
  const none = ['--wrong-at-most', '0%', '--confidence', '95%'];
  assert.equal((await plan(table, ['--stack', '101', ...none])).needed, 96);
  assert.equal((await plan(table, ['--stack', '1', ...aim])).needed, 1);
  const { stdout } = await table.must(['proof', 'plan', '--stack', '700', ...aim]);
  assert.match(stdout, /^Look at \d+ of 700 bibs, the last one among them\. If all are right, then with 95% confidence at most 5% are wrong \(35 bibs\)\.\n$/);
});

test('which ones', async (t) => {
  const table = await makeStack(t);
  const range = ['--stack', STACK, ...aim];
  const first = await plan(table, [...range, '--seed', 'hall 2']);
  assert.equal(first.bibs, 197);
  assert.equal(first.not_chipped, 2);
  assert.equal(first.held, 1);
  assert.equal(first.look_at.length, first.needed);
  assert.equal(first.look_at.at(-1), '1200');
  const numbers = first.look_at.map(Number);
  assert.deepEqual(numbers, [...numbers].sort((a, b) => a - b));
  assert.equal(new Set(numbers).size, numbers.length);
  for (const bib of [1050, 1100, 1101]) assert.ok(!numbers.includes(bib), `${bib}`);
  assert.ok(numbers.every((bib) => bib >= 1001 && bib <= 1200));

  const again = await plan(table, [...range, '--seed', 'hall 2']);
  assert.deepEqual(again.look_at, first.look_at);
  const other = await plan(table, [...range, '--seed', 'hall 3']);
  assert.notDeepEqual(other.look_at, first.look_at);
  // Without a seed it is another draw each time, and says how to get it again.
  const drawn = await plan(table, range);
  assert.notDeepEqual(drawn.look_at, (await plan(table, range)).look_at);
  assert.deepEqual((await plan(table, [...range, '--seed', drawn.seed])).look_at, drawn.look_at);

  const down = await plan(table, ['--stack', '1200-1001', ...aim]);
  assert.equal(down.look_at.at(-1), '1001');
  const falling = down.look_at.map(Number);
  assert.deepEqual(falling, [...falling].sort((a, b) => b - a));
});

for (const running of [false, true]) {
  test(`a stack that is right, ${running ? 'inside a running node' : 'without a node'}`,
    async (t) => {
      const table = await makeStack(t);
      if (running) {
        await table.start();
        atEnd(t, () => table.stop());
      }
      const { look_at, needed } = await plan(table, ['--stack', STACK, ...aim]);
      const before = await proof(table);
      assert.equal(before.status, 1);
      assert.equal(before.looked_at, 0);
      assert.equal(before.proven, false);
      assert.match(before.say, new RegExp(`look at ${needed} more, the last one among them`));
      // The last one alone is missing: not enough, whatever else was looked at.
      for (const bib of look_at.slice(0, -1)) await look(table, Number(bib), Number(bib));
      await look(table, 1050, 1050); // on hold: it does not count
      const nearly = await proof(table);
      assert.equal(nearly.status, 1);
      assert.equal(nearly.last_looked_at, false);
      assert.equal(nearly.looked_at, needed - 1);
      await look(table, 1200, 1200, '1200-1001'); // the same stack, named the other way round
      const after = await proof(table);
      assert.equal(after.status, 0, after.say);
      assert.equal(after.proven, true);
      assert.equal(after.right, needed);
      assert.deepEqual([after.wrong, after.shifts, after.next], [[], [], null]);
      assert.ok(after.confidence_reached >= 0.95, `${after.confidence_reached}`);
      assert.match(after.say, /all are right: with 95% confidence at most 5% are wrong \(9 bibs\)/);
      // The same looks do not prove more than they do, nor another stack.
      const more = await proof(table, ['--stack', STACK, '--wrong-at-most', '1%']);
      assert.equal(more.status, 1);
      assert.equal((await proof(table, ['--stack', '1001-1199', ...aim])).looked_at, 0);
    });
}

test('a shift: found by halves, done again, and proven', async (t) => {
  const table = await makeStack(t);
  // From 1120 on each bib carries the chip of the one before it; 1020 lost its chip.
  const onBib = (bib) => (bib === 1020 ? undefined : bib >= 1120 ? bib - 1 : bib);
  for (const bib of [1020, 1035, 1090, 1160, 1200]) await look(table, bib, onBib(bib));
  let state = await proof(table);
  let asked = 0;
  while (state.next !== null) {
    assert.equal(state.status, 1);
    assert.ok(++asked <= 12, `asked for ${asked} looks`);
    const bib = Number(state.next.bib);
    await look(table, bib, onBib(bib));
    state = await proof(table);
  }
  assert.equal(state.status, 1);
  assert.deepEqual(state.shifts, [{ first: '1120', last: '1200', offset: -1, mixed: false }]);
  assert.deepEqual(state.wrong.filter(({ alone }) => alone),
    [{ bib: '1020', verdict: 'no_chip', carries: null, alone: true }]);
  const text = (await table.run(['proof', '--stack', STACK, ...aim])).stdout;
  assert.match(text, /this stack is not right/);
  assert.match(text, /The shift begins at bib 1120: redo 1120-1200\. Each carries the chip of the bib before it\./);
  assert.match(text, /Bib 1020 is wrong by itself: no chip was heard on it\. Redo it\./);

  for (const range of ['1120-1200', '1020-1020']) {
    await table.must(['redo', range, '--reason', 'out of step', '--chip', 'destroyed']);
  }
  await table.issue([1020, ...stack(1120, 81)]);
  // What was seen before the new chips were put on counts no more, right or wrong.
  const redone = await proof(table);
  assert.deepEqual([redone.wrong, redone.shifts, redone.next], [[], [], null]);
  assert.equal(redone.last_looked_at, false);
  assert.equal(redone.status, 1);
  for (const bib of (await plan(table, ['--stack', STACK, ...aim])).look_at) {
    await look(table, Number(bib), Number(bib));
  }
  assert.equal((await proof(table)).status, 0);
});

async function playOut(table, onBib, words, name) {
  let state = await proof(table, words);
  for (let asked = 0; state.next !== null; asked++) {
    assert.ok(asked < 20, 'asked for more than halves take');
    const bib = Number(state.next.bib);
    await look(table, bib, onBib(bib), name);
    state = await proof(table, words);
  }
  return state;
}

test('a shift in a stack that was worked downwards', async (t) => {
  const [, table] = await makeEvent(scratch(t), [local, local]);
  const name = '1300-1201';
  await table.issue(stack(1201, 100).reverse());
  // From 1250 down each has the chip of the bib before it in the work, which is one higher.
  const onBib = (bib) => (bib <= 1250 ? bib + 1 : bib);
  for (const bib of [1280, 1201]) await look(table, bib, onBib(bib), name);
  const state = await playOut(table, onBib, ['--stack', name], name);
  assert.deepEqual(state.shifts, [{ first: '1250', last: '1201', offset: -1, mixed: false }]);
  const { stdout } = await table.run(['proof', '--stack', name]);
  assert.match(stdout, /The shift begins at bib 1250: redo 1201-1250\. Each carries the chip of the bib before it\./);
  await table.must(['redo', '1201-1250', '--reason', 'out of step', '--chip', 'destroyed']);
});

test('a shift among chips that come written', async (t) => {
  const [, table] = await makeEvent(scratch(t), [local, local], { scheme: 'as-read' });
  const name = '1001-1040';
  const chip = (bib) => `E280689${(bib * 7919).toString(16).padStart(17, '0').toUpperCase()}`;
  for (const bib of stack(1001, 40)) {
    await table.must(['issue', `${bib}`, '--tag', chip(bib)]);
  }
  // The last chip is of no list: it came off the roll behind the stack.
  const onBib = (bib) => (bib >= 1017 ? bib + 1 : bib);
  const see = async (bib) => {
    await table.run(['look', `${bib}`, '--tag', chip(onBib(bib)), '--stack', name]);
  };
  for (const bib of [1005, 1030, 1040]) await see(bib);
  let state = await proof(table, ['--stack', name]);
  for (let asked = 0; state.next !== null; asked++) {
    assert.ok(asked < 20);
    await see(Number(state.next.bib));
    state = await proof(table, ['--stack', name]);
  }
  assert.deepEqual(state.shifts, [{ first: '1017', last: '1040', offset: 1, mixed: false }]);
  assert.equal(state.wrong.at(-1).verdict, 'strange');
});

// Two tables share a stack. One looks without knowing that the other put new chips on: that says
// nothing of the new chips, however late by the clock it was.
test('a look by somebody who did not know of the chip', async (t) => {
  const [, one, two] = await makeEvent(scratch(t), [local, local, local]);
  const carry = async (from, to) => {
    await from.must(['carry', 'out', `${from.dir}.stick`, '--force']);
    await to.must(['carry', 'in', `${from.dir}.stick`]);
  };
  const name = '1001-1004';
  const words = ['--stack', name, '--wrong-at-most', '0%', '--confidence', '100%'];
  await one.issue(stack(1001, 4));
  await carry(one, two);
  for (const bib of stack(1001, 4)) await look(two, bib, bib, name);
  await carry(two, one);
  assert.equal((await proof(one, words)).status, 0);

  await one.must(['redo', '1002-1003', '--reason', 'torn', '--chip', 'destroyed']);
  await one.issue([1002, 1003]);
  await look(two, 1002, 1002, name); // not told yet
  await carry(two, one);
  const unsure = await proof(one, words);
  assert.equal(unsure.status, 1);
  assert.equal(unsure.looked_at, 2);

  await carry(one, two);
  for (const bib of [1002, 1003]) await look(two, bib, bib, name);
  await carry(two, one);
  for (const table of [one, two]) assert.equal((await proof(table, words)).status, 0);
});

test('one wrong bib is told from a shift', async (t) => {
  const table = await makeStack(t);
  const onBib = (bib) => (bib === 1077 ? 1078 : bib === 1078 ? 1077 : bib);
  for (const bib of [1030, 1077, 1200]) await look(table, bib, onBib(bib));
  const first = await proof(table);
  assert.equal(first.next.why, 'neighbour');
  let state = first;
  for (let asked = 0; state.next !== null; asked++) {
    assert.ok(asked < 4, 'asked for more than the neighbours');
    const bib = Number(state.next.bib);
    await look(table, bib, onBib(bib));
    state = await proof(table);
  }
  assert.deepEqual(state.shifts, []);
  assert.deepEqual(state.wrong, [
    { bib: '1077', verdict: 'other', carries: 1078, alone: true },
    { bib: '1078', verdict: 'other', carries: 1077, alone: true }]);
  assert.ok(state.most_wrong >= 2);
  // Looked at once more, after the chips were changed back: the later look counts.
  for (const bib of [1077, 1078]) await look(table, bib, bib);
  assert.deepEqual((await proof(table)).wrong, []);
});

test('refused', async (t) => {
  const table = await makeStack(t);
  const WRONG = 2;
  const NO = 1;
  const cases = [
    [WRONG, ['proof', 'plan']],
    [WRONG, ['proof', 'plan', '--stack', '']],
    [WRONG, ['proof', 'plan', '--stack', '0']],
    [WRONG, ['proof', 'plan', '--stack', '1000001']],
    [WRONG, ['proof', 'plan', '--stack', 'all']],
    [WRONG, ['proof', 'plan', '--stack', '1001-']],
    [WRONG, ['proof', 'plan', '--stack', '1-2-3']],
    [WRONG, ['proof', 'plan', '--stack', '1-1000001']],
    [WRONG, ['proof', 'plan', '--stack', '700', '--wrong-at-most', '100%']],
    [WRONG, ['proof', 'plan', '--stack', '700', '--wrong-at-most', 'few']],
    [WRONG, ['proof', 'plan', '--stack', '700', '--confidence', '95']],
    [WRONG, ['proof', 'plan', '--stack', '700', '--confidence', '0%']],
    [WRONG, ['proof', 'plan', '--stack', '700', '--seed', '']],
    [WRONG, ['proof', '--stack', '700']],
    [WRONG, ['proof']],
    [WRONG, ['look', '--tag', epcOf(1001), '--stack', STACK]],
    [WRONG, ['look', '1001', '--stack', '200']],
    [NO, ['proof', '--stack', '3001-3100']],
    [NO, ['proof', 'plan', '--stack', '3001-3100']],
  ];
  for (const [status, words] of cases) assertRefused(await table.run(words), status);
});
