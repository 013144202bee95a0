// clock.mjs: a machine comes back with its clock two days off. Clocks are for people, never for
// order: nothing may depend on them.
import test from 'node:test';
import assert from 'node:assert/strict';
import { existsSync, readdirSync } from 'node:fs';
import { SKIPPED, agree, now, stack, until } from '../field.mjs';
import { enterNamespaces } from '../namespaces.mjs';
import { assertHealed, meet, openHall } from './net.mjs';

const library = readdirSync('/usr/lib')
  .map((part) => `/usr/lib/${part}/faketime/libfaketime.so.1`).find(existsSync);
if (!library) {
  console.log('skipped: the package faketime is not there');
  process.exit(SKIPPED);
}
await enterNamespaces(import.meta.url, { net: true });

// Only the wall clock is wrong: the one that drives timers goes on as it does after a real reboot.
const off = (by) => ({
  LD_PRELOAD: library, FAKETIME: by, FAKETIME_DONT_FAKE_MONOTONIC: '1', DONT_FAKE_MONOTONIC: '1',
});
const DAY_MS = 86400000;

async function timeOf(station, bib) {
  const { issues } = await station.json(['ask', String(bib)]);
  return Date.parse(issues.at(-1).time);
}

for (const count of [3, 8]) {
  test(`${count} stations, one comes back two days ahead and one two days behind`, async (t) => {
    const { hall, stations } = await openHall(t, count);
    const [lead, first] = stations;
    const last = stations.at(-1);
    await meet(stations, count - 1);
    const acknowledged = [
      ...await first.issue(stack(1001, 10)), ...await last.issue(stack(1000 * count - 999, 10)),
    ];
    await until('all agree before', 10000, () => agree(stations));

    hall.pull(count);
    await last.stop();
    await last.start({ env: off('+2d') });
    await first.stop();
    await first.start({ env: off('-2d') });
    acknowledged.push(...await first.issue([19600, 1020]));
    acknowledged.push(...await last.issue([19600, 1000 * count - 900]));
    hall.plug(count);
    await assertHealed(t, stations, now(), acknowledged, ['19600 unaware']);
    assert.ok(await timeOf(lead, 1000 * count - 900) > Date.now() + DAY_MS, 'no clock was ahead');
    assert.ok(await timeOf(lead, 1020) < Date.now() - DAY_MS, 'no clock was behind');

    // What a table with a wrong clock replaces is replaced, in whatever order the times stand.
    await last.must(['issue', '1001', '--replace', 'does not answer', '--chip', 'destroyed',
      '--reason', 'helping out']);
    await first.must(['issue', String(1000 * count - 900), '--replace', 'does not answer', '--chip',
      'destroyed', '--reason', 'helping out']);
    await until('all agree', 5000, () => agree(stations));
    for (const bib of [1001, 1000 * count - 900]) {
      assert.equal((await lead.json(['ask', String(bib)])).state, 'issued', `bib ${bib}`);
    }
    await last.stop();
    await last.start(); // the clock is set right again: no number is used twice
    const more = await last.issue([1000 * count - 800]);
    await until('all agree', 10000, () => agree(stations));
    assert.equal((await lead.json(['ask', String(1000 * count - 800)])).issues[0].record,
      more[0].record);
  });
}
