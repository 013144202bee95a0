// copies.mjs: data folders that are copied, put back from an older copy, or whose node is killed:
// no number is written twice, nothing is taken for old, and nobody has to do anything about it.
import test from 'node:test';
import assert from 'node:assert/strict';
import { cpSync, rmSync } from 'node:fs';
import { join } from 'node:path';
import { Station, agree, assertKept, doublesOf, makeEvent, must, scratch, stack } from
  '../field.mjs';

const local = { listen: '127.0.0.1:0' };

async function carry(from, to) {
  const stick = `${from.dir}.stick`;
  await from.must(['carry', 'out', stick]);
  return to.must(['carry', 'in', stick]);
}

test('a folder that was copied, and both go on', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  const kept = await table.issue(stack(1001, 10));
  const twin = new Station({ ...table, dir: join(folder, 'twin') });
  cpSync(table.dir, twin.dir, { recursive: true });
  kept.push(...await twin.issue(stack(1101, 10)), ...await table.issue(stack(1201, 10)));
  const twice = [...await twin.issue([1300]), ...await table.issue([1300])];

  await carry(twin, lead);
  await carry(table, lead);
  for (const station of [table, twin]) await carry(lead, station);
  assert.ok(await agree([lead, table, twin]), 'the copies do not agree');
  await assertKept([lead, table, twin], [...kept, ...twice]);
  assert.deepEqual(await doublesOf(lead), ['1300 unaware']);
  await table.must(['verify', '--every']);
});

test('a folder that was put back from an older copy', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  const kept = await table.issue(stack(1001, 10));
  const backup = join(folder, 'backup');
  cpSync(table.dir, backup, { recursive: true });
  kept.push(...await table.issue(stack(1101, 10)));
  await carry(table, lead);

  rmSync(table.dir, { recursive: true });
  cpSync(backup, table.dir, { recursive: true });
  kept.push(...await table.issue(stack(1201, 10)));
  await carry(table, lead);
  await carry(lead, table);
  assert.ok(await agree([lead, table]), 'lead and table do not agree');
  await assertKept([lead, table], kept);
  assert.deepEqual(await doublesOf(lead), []);
  await table.must(['verify', '--every']);
});

test('merge reads stations\' folders, and they go on', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local]);
  const kept = await table.issue(stack(1001, 10));
  await carry(table, lead);
  const out = join(folder, 'merged');
  const merged = (await must(['merge', '--out', out, lead.dir, table.dir, '--json'])).json();
  assert.equal(merged.heads_hash, (await lead.status()).heads_hash);
  kept.push(...await table.issue([1011])); // the folder that was read goes on
  await assertKept([table], kept);
});
