// loss.mjs: one packet in five is lost at every station; all go on, and agree after it.
import test from 'node:test';
import assert from 'node:assert/strict';
import { now, sleep, stack } from '../field.mjs';
import { enterNamespaces } from '../namespaces.mjs';
import { assertHealed, meet, openHall } from './net.mjs';

await enterNamespaces(import.meta.url, { net: true });

for (const count of [3, 8]) {
  test(`${count} stations under 20 % loss`, async (t) => {
    const { hall, stations } = await openHall(t, count);
    await meet(stations, count - 1);
    const hosts = stack(1, count);
    for (const i of hosts) hall.drop(i, ['numgen random mod 100 < 20']);

    const acknowledged = [];
    const end = now() + 8000;
    for (let round = 0; now() < end; round += 1) { // a table has 1,000 bibs: slowly
      const done = await Promise.all(stations.map((station, i) =>
        station.issue(stack(1000 * i + 1 + round, 1))));
      acknowledged.push(...done.flat());
      await sleep(30);
    }
    t.diagnostic(`${acknowledged.length} issues acknowledged during the loss`);
    for (const bib of [19501, 19502]) {
      acknowledged.push(...await stations[1].issue([bib]));
    }
    const lost = hosts.map((i) => hall.dropped(i));
    assert.ok(lost.every((packets) => packets > 0), `packets lost: ${lost}`);

    for (const i of hosts) hall.drop(i, []);
    await assertHealed(t, stations, now(), acknowledged);
  });
}
