// program_log.mjs: has the program itself write a log of every kind of record that its commands
// make, over two stations, and has verify_log.mjs audit what `carry out` gives.
//
// $VERIFY is verify_log.mjs where its npm packages are.
import test from 'node:test';
import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { epcOf, makeEvent, scratch, stack } from '../field.mjs';

const cddl = fileURLToPath(new URL('../../common/record.cddl', import.meta.url));
const local = { listen: '127.0.0.1:0' };

test('a log that the program wrote, audited without it', async (t) => {
  const folder = scratch(t);
  const [lead, table] = await makeEvent(folder, [local, local], { extra: ['--tags-per-bib', '2'] });
  await table.issue(stack(1001, 200)); // past 128, where a receiver verifies on the way
  await table.must(['issue', '1500', '--tag', `${epcOf(1500)}/E28011052000000012345678`,
    '--tag', `${epcOf(1500)}/E28011052000000012345679`, '--how', 'scan', '--helper', 'AB']);
  await table.must(['issue', '1501', '--tag', epcOf(1501), '--half']);
  await table.must(['issue', '1500', '--extra', 'further chips for the bike']);
  await table.must(['issue', '1001', '--replace', 'does not answer', '--chip', 'on:1002',
    '--reason', 'stuck to its neighbour']);
  const { record } = (await table.must(['issue', '19001', '--json'])).json();
  await table.must(['void', record, '--reason', 'does not start', '--chip', 'destroyed']);
  await table.must(['hold', '1600', '1601', '--missing', '--reason', 'not in the box']);
  await table.must(['unhold', '1600']);
  await table.run(['look', '1500', '--tag', `${epcOf(1500)}/E28011052000000012345678`]);
  await table.run(['look', '1600']);
  await table.must(['roll', 'P 1', '--pair', '--count', '2000']);
  await table.must(['note', 'box B was wet', '--bib', '1500', '--table', 'Lead']);
  await table.must(['change', '1004', '1602']);
  await table.must(['redo', '1005-1080', '--reason', 'out of step']);
  await table.must(['carry', 'out', join(folder, 'table.carry')]);
  await lead.must(['carry', 'in', join(folder, 'table.carry')]);
  const kept = (await lead.must(['issue', '1003', '--extra', 'by mistake', '--reason', 'lead',
    '--json'])).json().record;
  await lead.must(['settle', '1003', '--keep', kept, '--unseen', '--chip', 'lost']);
  await lead.run(['handover', '--out', join(folder, 'list.csv')]);
  await lead.must(['close']);
  await lead.must(['carry', 'out', join(folder, 'all.carry')]);

  const { records } = await lead.status();
  const audit = spawnSync(process.execPath,
    [process.env.VERIFY, join(folder, 'all.carry'), cddl], { encoding: 'utf8' });
  assert.equal(audit.status, 0, audit.stderr);
  assert.match(audit.stdout, new RegExp(`^${records} records `), 'not all records are in the file');
  t.diagnostic(audit.stdout.trim());
});
