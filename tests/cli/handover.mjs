// handover.mjs: which chip list the timing crew has, and what changed since.
import test from 'node:test';
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { assertRefused, atEnd, epcOf, makeEvent, scratch, stack, until } from '../field.mjs';

const NO = 1;
const local = { listen: '127.0.0.1:0' };

// The bibs in a chip list, once for each of its lines.
const bibsIn = (file) => readFileSync(file, 'utf8').trim().split('\r\n').slice(1)
  .map((line) => line.split(',')[0]);

// BLAKE2b-256 of a file, as the GNU core utilities make it.
const blake2b = (file) =>
  execFileSync('b2sum', ['--length=256', file], { encoding: 'utf8' }).split(' ')[0];

for (const running of [false, true]) {
  test(`a list is handed over, ${running ? 'by a running lead' : 'without a node'}`, async (t) => {
    const folder = scratch(t);
    const [lead, table] = await makeEvent(folder, [local, local]);
    const at = (name) => join(folder, name);
    const give = async (from, to) => {
      await from.must(['carry', 'out', at('give.carry'), '--force']);
      await to.must(['carry', 'in', at('give.carry')]);
    };
    if (running) {
      await lead.start();
      atEnd(t, () => lead.stop());
    }
    await table.issue(stack(1001, 20));
    await table.must(['close']);
    await give(table, lead);
    assert.equal((await lead.status()).handover, null);
    assertRefused(await lead.run(['export', at('since.csv'), '--since-handover']), NO);
    assertRefused(await table.run(['handover', '--out', at('table.csv')]), NO);

    const first = (await lead.must(['handover', '--out', at('list.csv'), '--json'])).json();
    assert.deepEqual([first.number, first.rows], [1, 20]);
    assert.deepEqual(bibsIn(at('list.csv')), stack(1001, 20).map(String));
    const { handover } = await lead.status();
    assert.deepEqual([handover.number, handover.lines, handover.table, handover.state_hash,
      handover.list_hash], [1, 20, 'Lead', first.state_hash, first.list_hash]);
    assert.equal(blake2b(at('list.csv')), first.list_hash);
    assert.match((await lead.must(['status'])).stdout, /chip list 1 is out: Lead, /);
    // A list that is there already is not lost, and no number is used up.
    assertRefused(await lead.run(['handover', '--out', at('list.csv')]), 2);

    // What changes from now on, at a table that does not know of the list yet and at one that does.
    const none = await lead.must(['export', at('since.csv'), '--since-handover', '--json']);
    assert.deepEqual([none.json().since, none.json().rows], [{ handover: 1, bibs: 0 }, 0]);
    await table.issue([1030]);
    const { issues: [old] } = await table.json(['ask', '1002']);
    await table.must(['void', old.record, '--reason', 'does not answer']);
    await table.must(['hold', '1003', '--reason', 'not paid']);
    await table.must(['change', '1004', '1031']);
    await table.must(['note', 'nothing of this changes the list', '--bib', '1005']);
    await table.must(['issue', '1005', '--replace', 'torn']);
    await table.must(['close']);
    await give(table, lead);
    const since = await lead.must(['export', at('since.csv'), '--since-handover', '--force',
      '--json']);
    assert.deepEqual(since.json().since, { handover: 1, bibs: 6 });
    assert.deepEqual(bibsIn(at('since.csv')), ['1003', '1005', '1030', '1031']);
    assert.match(readFileSync(at('since.csv'), 'utf8'), /^1003,.*,held back\r$/m);
    const dead = readFileSync(at('since-dead.csv'), 'utf8');
    assert.match(dead, /,1002,does not answer,/);
    assert.match(dead, /,1004,changed number,lost,1031,/);
    // The new chip of bib 1005 carries the EPC of the torn one: nobody can block it by that column.
    assert.ok(dead.includes(`\r\n${epcOf(1004)},,1004,`), dead);
    assert.ok(dead.includes(`\r\n,,1005,torn,`) && dead.includes(`,${epcOf(1005)},\r\n`), dead);
    assert.equal(since.json().dead_live, 1);
    assert.equal(since.json().holds[0].bib, '1003');

    const second = (await lead.must(['handover', '--out', at('list2.csv'), '--json'])).json();
    assert.deepEqual([second.number, second.rows], [2, 20]);
    assert.notEqual(second.list_hash, first.list_hash);
    const after = (await lead.must(['export', at('since2.csv'), '--since-handover', '--json']))
      .json();
    assert.deepEqual(after.since, { handover: 2, bibs: 0 });
    assert.equal(blake2b(at('list.csv')), first.list_hash);
    // All stations know which list is out.
    await give(lead, table);
    assert.equal((await table.status()).handover.number, 2);
    await lead.must(['verify']);
  });
}

test('a list that is not clean is handed over all the same, and says so', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  await table.issue([1001]); // and does not close
  await table.must(['carry', 'out', join(folder, 'table.carry')]);
  await lead.must(['carry', 'in', join(folder, 'table.carry')]);
  const answer = await lead.run(['handover', '--out', join(folder, 'list.csv'), '--json']);
  assert.equal(answer.status, NO);
  assert.equal(answer.json().number, 1);
  assert.equal(answer.json().not_closed[0].name, 'Table 1');
  // A file in the way of the list is not touched.
  writeFileSync(join(folder, 'other-dead.csv'), 'mine');
  assertRefused(await lead.run(['handover', '--out', join(folder, 'other.csv')]), 2);
  assert.equal(readFileSync(join(folder, 'other-dead.csv'), 'utf8'), 'mine');
  assert.equal((await lead.status()).handover.number, 1);
});

test('the list travels to running stations', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  table.peers = [await lead.start()];
  atEnd(t, () => lead.stop());
  await table.start();
  atEnd(t, () => table.stop());
  await lead.run(['handover', '--out', join(folder, 'list.csv')]);
  await until('the table knows which list is out', 20000,
    async () => (await table.status()).handover?.number === 1);
});
