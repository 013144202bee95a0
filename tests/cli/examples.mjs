// examples.mjs: the recorded session of the invented event still means what it meant when it was
// recorded: same records, same hashes, same chip list, and the list of bibs fits the table plan.
import test from 'node:test';
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { must, scratch } from '../field.mjs';

const examples = join(dirname(fileURLToPath(import.meta.url)), '../../examples/kettle-hill');
const rows = (name) => readFileSync(join(examples, name), 'utf8').trim().split('\r\n')
  .map((row) => row.split(','));

test('the recorded session', async (t) => {
  const folder = join(scratch(t), 'merged');
  const expected = JSON.parse(readFileSync(join(examples, 'session.json'), 'utf8'));
  const merged = JSON.parse((await must(
    ['merge', '--out', folder, join(examples, 'session.carry'), '--json'])).stdout);
  for (const key of Object.keys(expected)) assert.equal(merged[key], expected[key], key);
  await must(['--dir', folder, 'verify', '--every']);
  await must(['--dir', folder, 'export', `${folder}.csv`]);
  assert.equal(readFileSync(`${folder}.csv`, 'utf8'),
    readFileSync(join(examples, 'chips.csv'), 'utf8'));
});

test('every bib is in the list once, and at the table whose number it is', () => {
  const plan = rows('tables.csv').slice(1)
    .map(([station, bibs]) => [station, ...bibs.split('-').map(Number)]);
  const list = rows('bibs.csv').slice(1);
  assert.equal(new Set(list.map(([bib]) => bib)).size, 2000);
  for (const [bib, , station] of list) {
    const owner = plan.find(([, first, last]) => bib >= first && bib <= last);
    assert.equal(station, owner ? owner[0] : '', `bib ${bib}`);
  }
});
