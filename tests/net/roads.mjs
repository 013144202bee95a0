// roads.mjs: stations that cannot all reach each other: a relay in between, and one-way streets.
import test from 'node:test';
import assert from 'node:assert/strict';
import { agree, now, sleep, stack, until } from '../field.mjs';
import { enterNamespaces } from '../namespaces.mjs';
import { LONG_MS, assertHealed, meet, openHall } from './net.mjs';

await enterNamespaces(import.meta.url, { net: true });

const others = (count, ...out) => stack(1, count).filter((i) => !out.includes(i));

async function allIssue(stations, offset, each) {
  const done = await Promise.all(stations.map((station, i) =>
    station.issue(stack(1000 * i + offset, each))));
  return done.flat();
}

for (const count of [3, 8]) {
  // Host `count` and all others but host 2 never hear each other; host 2 hears everybody.
  test(`${count} stations, one reachable only through another`, async (t) => {
    const { hall, stations } = await openHall(t, count, (hall) => {
      const far = others(count, 2, count);
      hall.dropFrom(count, far);
      for (const i of far) hall.dropFrom(i, count);
    });
    const [lead, bridge] = stations;
    const last = stations.at(-1);
    last.peers = [bridge.listen];
    await last.stop();
    await last.start();
    await until('the bridge is there', 20000, async () => {
      const { peers } = await last.status();
      return peers.some(({ name, connected }) => name === bridge.name && connected);
    });
    let acknowledged = await allIssue(stations, 1, 10);
    await assertHealed(t, stations, now(), acknowledged);
    const direct = (await last.status()).peers.find(({ name }) => name === lead.name);
    assert.ok(!direct?.connected, 'the far station reaches the lead by itself');

    // the bridge goes, and comes back
    hall.pull(2);
    await sleep(LONG_MS);
    acknowledged = acknowledged.concat(await allIssue(stations, 11, 10));
    acknowledged.push(...await lead.issue([19700]), ...await last.issue([19700]));
    hall.plug(2);
    await assertHealed(t, stations, now(), acknowledged, ['19700 unaware']);
  });

  // Nobody can open a connection to the last station, as behind a firewall; it can to others.
  test(`${count} stations, nobody can connect to one of them`, async (t) => {
    const { hall, stations } = await openHall(t, count, (hall) => {
      hall.drop(count, ['tcp flags & (syn | ack) == syn']);
    });
    await meet(stations, count - 1);
    let acknowledged = await allIssue(stations, 1, 10);
    await assertHealed(t, stations, now(), acknowledged);
    assert.ok(hall.dropped(count) > 0, 'nobody tried to connect to it');

    hall.pull(count);
    await sleep(LONG_MS);
    acknowledged = acknowledged.concat(await allIssue(stations, 11, 10));
    hall.plug(count);
    await assertHealed(t, stations, now(), acknowledged);
  });

  // What the lead sends never arrives at the last station; what that one sends does arrive.
  test(`${count} stations, all packets lost in one direction between two`, async (t) => {
    const { hall, stations } = await openHall(t, count);
    await meet(stations, count - 1);
    const before = await allIssue(stations, 1, 10);
    await until('all agree before', 10000, () => agree(stations));
    hall.dropFrom(count, 1);
    await sleep(LONG_MS);
    const since = now();
    const during = await allIssue(stations, 11, 10);
    await assertHealed(t, stations, since, before.concat(during));
    assert.ok(hall.dropped(count) > 0, 'nothing was dropped');

    hall.drop(count, []);
    const after = await allIssue(stations, 21, 10);
    await assertHealed(t, stations, now(), before.concat(during, after));
  });
}
