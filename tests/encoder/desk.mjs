// desk.mjs: a table at work with encoders: one on demand, a stack, faults that are got over, two
// encoders, a terminal.
import test from 'node:test';
import assert from 'node:assert/strict';
import { spawn, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { existsSync, readFileSync } from 'node:fs';
import { assertRefused, atEnd, epcOf, makeEvent, program, scratch, sleep, stack, told, until }
  from '../field.mjs';
import { example, oneTable, rehearsed, Table, withEncoders } from './table.mjs';

const USAGE = 2;
const MACHINE = 3;

// Every bib of `bibs` has one live issue, with one chip of its number, and no chip is on two bibs.
async function assertChipped(table, bibs) {
  const tids = new Set();
  for (const bib of bibs) {
    const live = await table.live(bib);
    assert.equal(live.length, 1, `bib ${bib}: ${JSON.stringify(live)}`);
    assert.deepEqual(live[0].tags.map(({ epc }) => epc), [epcOf(bib)]);
    tids.add(live[0].tags[0].tid);
  }
  assert.equal(tids.size, bibs.length, 'a chip is on two bibs');
}

for (const encoder of ['rehearse:away=200,next=100', example]) {
  test(`one on demand, with ${encoder.split('/').at(-1)}`, async (t) => {
    const table = await oneTable(t);
    await table.station.start(withEncoders(encoder));
    for (const bib of stack(7, 3)) {
      await table.ready();
      await table.until('the next bib is waited for', ({ tone }) => tone === 'ready');
      await table.scan(`00${bib}`);
      // The chip is soon taken away, and the tone with it.
      const done = await table.until(`bib ${bib} is chipped`, ({ latest }) =>
        latest[0]?.bib === String(bib));
      assert.equal(done.sound, 'done');
    }
    await assertChipped(table, stack(7, 3));
    assert.equal(await table.station.stop(), 0);
    await table.station.must(['verify', '--every']);
  });
}

test('a rehearsal goes on after a look at the chip that lies there', async (t) => {
  const table = await oneTable(t);
  await table.station.start(withEncoders('rehearse:away=200,next=100,idle=1500'));
  await table.ready();
  await table.input({ command: 'look' });
  const { choices } = await table.scan(7);
  await table.answer(choices[0].word); // nothing is heard on it
  await table.input({ command: 'on-demand' });
  await table.scan(8);
  await table.until('bib 8 is chipped', ({ latest }) => latest[0]?.bib === '8');
  await assertChipped(table, [8]);
});

test('a falling stack, with each fault once', async (t) => {
  const table = await oneTable(t);
  const { state } = table;
  const faults = 'fail=2,torn=4,two=6,leave=8,die=10';
  await table.station.start(withEncoders(`rehearse:away=150,next=100,${faults},state=${state}`));
  await table.ready();
  await table.input({ command: 'series', first: 30, last: 21, step: 1, check_every: 100 });
  await table.until('the first is asked for', ({ say }) => /Scan/.test(say));
  await table.scan(30);
  await table.until('the last is asked for', ({ say }) => /Scan.* 21/.test(say), 60000);
  await table.ready();
  await table.scan(21);
  await table.until('the last is chipped', ({ latest }) => latest[0]?.bib === '21');
  await assertChipped(table, stack(21, 10));
  const { orders } = rehearsed(state);
  t.diagnostic(`${orders} orders to write for 10 chips`);
  assert.ok(orders > 10, 'no write was tried again');
});

test('what a second encoder types is taken, and the first one writes', async (t) => {
  const table = await oneTable(t);
  const scanner = `program:echo '{"say":"ready","protocol":1,"name":"scanner","can":[]}'; sleep 1;` +
    `echo '{"say":"typed","text":"0042"}'; sleep 3`;
  await table.station.start(withEncoders('rehearse', scanner));
  await table.until('bib 42 is chipped', ({ latest }) => latest[0]?.bib === '42');
  await assertChipped(table, [42]);
});

// The processes that a node has started.
const childrenOf = ({ child: { pid } }) =>
  readFileSync(`/proc/${pid}/task/${pid}/children`, 'utf8').split(' ').filter(Boolean);

for (const fault of ['slow=40', 'mute=1']) {
  test(`an encoder ends with its node, ${fault}`, async (t) => {
    const table = await oneTable(t);
    // One in the box, and one that reads its input and so sees its end.
    const encoders = withEncoders(`rehearse:${fault}`, 'program:exec cat >/dev/null');
    for (const end of ['stop', 'kill']) {
      await table.station.start(encoders);
      await table.ready();
      if (end === 'stop') await table.scan(5);
      const children = childrenOf(table.station);
      assert.equal(children.length, 2);
      await table.station[end]();
      await until(`none is left after ${end}`, 20000, () =>
        children.every((pid) => !existsSync(`/proc/${pid}`)), 20);
    }
  });
}

test('a command without a node, and inputs that are none, are refused', async (t) => {
  const table = await oneTable(t);
  assertRefused(await table.station.run(['desk', '--view']), MACHINE);
  assertRefused(await table.station.run(['desk']), MACHINE);
  assertRefused(await table.station.run(['run', '--encoder', 'nothing']), USAGE);
  assertRefused(await table.station.run(['run', '--gone', 'soon']), USAGE);
  await table.station.start();
  for (const words of ['', '[]', '{', '{"text":5}', '{"text":"a\\u0000"}', '{"command":"dance"}',
    '{"question":1}', '{"question":-1,"answer":"x"}', '{"command":"series","first":"a"}',
    `{"text":"${'9'.repeat(300)}"}`]) {
    assertRefused(await table.station.run(['desk', '--input', words]), USAGE);
  }
  const view = await table.view();
  assert.equal(view.encoder, false);
  assert.equal(view.latest.length, 0);
});

test('a look says when other tables may know more', async (t) => {
  const [lead, station] = await makeEvent(scratch(t), [{ listen: '127.0.0.1:7361' },
    { listen: '127.0.0.1:7362' }]);
  for (const each of [lead, station]) atEnd(t, () => each.alive && each.stop());
  await station.start(withEncoders('rehearse'));
  const table = new Table(station);
  await table.ready();
  assert.equal((await table.view()).aside, '');
  await table.input({ command: 'look' });
  await table.until('alone', ({ aside }) => /may be behind: others may know more/.test(aside));
  await lead.start();
  await table.until('not alone', ({ aside }) => aside === '');
  await lead.stop();
  await table.until('alone again', ({ aside }) => /may be behind/.test(aside), 60000);
  await table.input({ command: 'on-demand' });
  assert.equal((await table.view()).aside, '', 'whoever writes chips goes on');
});

test('lines that are no text are said, one by one', async (t) => {
  const table = await oneTable(t);
  await table.station.start(withEncoders('rehearse'));
  await table.ready();
  for (const bytes of [[0x34, 0xff, 0xff, 0x33], [0x34, 0, 0x33], [0x34, 0x1b, 0x33]]) {
    const answer = await table.station.run(['desk'], { input: Buffer.from([...bytes, 0x0a]) });
    assert.equal(answer.status, 0, told(answer));
    assert.match(answer.stdout, /^That did not come through whole/m, bytes.join());
  }
  assert.equal((await table.view()).latest.length, 0);
});

test('lines that are not typed at a terminal', async (t) => {
  const table = await oneTable(t);
  await table.station.start(withEncoders('rehearse'));
  await table.ready();
  const answer = await table.station.run(['desk', '--helper', 'AB'], { input: '8\nnot a bib!\n' });
  assert.equal(answer.status, 0, told(answer));
  await table.until('bib 8 is chipped', ({ latest }) => latest[0]?.bib === '8');
  assert.equal((await table.view()).helper, 'AB');
  assert.equal((await table.live(8))[0].helper, 'AB');
});

// script(1) gives a terminal of its own to the command.
const hasScript = spawnSync('script', ['--version']).status === 0;
test('a terminal: keys, function keys, and the terminal as it was', { skip: !hasScript },
  async (t) => {
    const table = await oneTable(t);
    await table.station.start(withEncoders('rehearse:away=200,next=100'));
    await table.ready();
    const command = `${program} --dir ${table.station.dir} desk; stty -a | tr ' ' '\\n' | ` +
      `grep -x -e icanon -e echo`;
    const typist = spawn('script', ['-qec', command, '/dev/null']);
    let seen = '';
    typist.stdout.setEncoding('utf8').on('data', (text) => (seen += text));
    const ended = once(typist, 'exit');
    const shows = (words) => until(`it shows ${words}`, 20000, () => seen.includes(words), 20);
    await shows('Scan or type the next bib');
    // Esc, Delete, Shift-F5 and an arrow type nothing; one 9 is rubbed out.
    typist.stdin.write('\x1b\x1b[3~\x1b[15;2~\x1b[A99\x7f\r');
    await shows('Bib 9 is chipped');
    await table.until('ready again', ({ tone }) => tone === 'ready');
    await table.ready();
    typist.stdin.write('9\r');
    await shows('chipped already');
    typist.stdin.write('1'); // what a scanner can type answers nothing
    await sleep(300);
    assert.notEqual((await table.view()).question, 0);
    const { choices } = await table.view();
    const leave = choices.findIndex(({ word }) => word === 'leave') + 1;
    seen = '';
    typist.stdin.write(`\x1bO${'PQRS'[leave - 1]}`);
    await table.until('the question is answered', ({ question }) => question === 0);
    // The node ends: what is typed goes nowhere, and not to a shell; then it is back.
    seen = '';
    assert.equal(await table.station.stop(), 0);
    await shows('The node is away');
    typist.stdin.write('10\r');
    await sleep(500);
    seen = '';
    await table.station.start(withEncoders('rehearse:away=200,next=100'));
    await shows('Scan or type the next bib');
    await table.ready();
    typist.stdin.write('11\r');
    await shows('Bib 11 is chipped');
    await assertChipped(table, [9, 11]);
    assert.deepEqual(await table.live(10), []);
    seen = '';
    typist.stdin.write('\x04');
    await ended;
    assert.match(seen, /icanon/);
    assert.match(seen, /(^|\s)echo\s/);
  });

test('a terminal whose node does not answer can be left', { skip: !hasScript, timeout: 60000 }, async (t) => {
  const table = await oneTable(t);
  await table.station.start(withEncoders('rehearse'));
  // The shell stays for what comes after; the desk takes the signal for itself all the same.
  const command = `trap '' INT; ${program} --dir ${table.station.dir} desk; stty -a | tr ' ' '\\n' | ` +
    `grep -x -e icanon -e echo`;
  const typist = spawn('script', ['-qec', command, '/dev/null']);
  let seen = '';
  typist.stdout.setEncoding('utf8').on('data', (text) => (seen += text));
  const ended = once(typist, 'exit');
  await until('it shows the desk', 20000, () => seen.includes('Scan or type the next bib'), 20);
  const { child } = table.station;
  child.kill('SIGSTOP');
  let over = false;
  ended.then(() => { over = true; });
  try {
    for (let i = 0; i < 20 && !over; i++) {
      await sleep(500); // longer than between two looks at the node: it is being asked
      if (i < 4) typist.stdin.write('\x03');
    }
    assert.ok(over, 'it has not ended');
  } finally {
    child.kill('SIGCONT');
  }
  assert.match(seen, /icanon/);
  assert.match(seen, /(^|\s)echo\s/);
});
