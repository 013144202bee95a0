// cable.mjs: a table's cable is pulled for longer than the heartbeat, and plugged in again.
import test from 'node:test';
import assert from 'node:assert/strict';
import { agree, epcOf, now, sleep, stack, until } from '../field.mjs';
import { enterNamespaces } from '../namespaces.mjs';
import { LONG_MS, assertHealed, meet, openHall } from './net.mjs';

await enterNamespaces(import.meta.url, { net: true });

for (const count of [3, 8]) {
  test(`${count} stations, one cable pulled for ${LONG_MS} ms`, async (t) => {
    const { hall, stations } = await openHall(t, count);
    const [lead, first] = stations;
    const last = stations.at(-1);
    const acknowledged = [];
    await meet(stations, count - 1);
    for (const [i, station] of stations.entries()) {
      acknowledged.push(...await station.issue(stack(1000 * i + 1, 10)));
    }
    await until('all agree before', 10000, () => agree(stations));

    hall.pull(count);
    const pulled = now();
    await until('the loss is noticed on both sides', 15000, async () => {
      const away = (await lead.status()).peers.find(({ name }) => name === last.name);
      return !away.connected && (await last.status()).peers.every((peer) => !peer.connected);
    });
    acknowledged.push(...await first.issue(stack(1011, 30)));
    acknowledged.push(...await last.issue(stack(1000 * (count - 1) + 11, 30)));
    acknowledged.push(...await first.issue([`19500 ${epcOf(19500)}/E2801105200000000001AAAA`]));
    acknowledged.push(...await last.issue([`19500 ${epcOf(19500)}/E2801105200000000001BBBB`]));
    assert.equal((await lead.json(['ask', String(1000 * (count - 1) + 40)])).state, 'unissued',
      'the cut does not cut');
    await sleep(Math.max(LONG_MS - (now() - pulled), 0));

    hall.plug(count);
    await assertHealed(t, stations, now(), acknowledged, ['19500 unaware']);
  });
}
