// kill.mjs: a node is killed (SIGKILL) in the middle of a stack, and started again.
import test from 'node:test';
import assert from 'node:assert/strict';
import { Stream, now, stack } from '../field.mjs';
import { enterNamespaces } from '../namespaces.mjs';
import { assertHealed, meet, openHall } from './net.mjs';

await enterNamespaces(import.meta.url, { net: true });

// Feeds a stack to the station until `after` are acknowledged, and kills its node while the next
// ones are under way. Gives what was acknowledged.
async function killedDuring(station, bibs, after) {
  const stream = new Stream(station);
  const answers = bibs.map((bib) => stream.feed(bib));
  await answers[after - 1];
  await station.kill();
  await Promise.all(answers);
  assert.equal(await stream.end(), 3, 'the one who issues is told that the node is gone');
  return stream.acknowledged;
}

for (const count of [3, 8]) {
  test(`${count} stations, a node killed during issuing`, async (t) => {
    const { stations } = await openHall(t, count);
    await meet(stations, count - 1);
    const victim = stations.at(-1);
    const first = 1000 * (count - 1) + 1;
    const acknowledged = [];
    const unsure = new Set();
    let restarted;
    for (const [round, after] of [1, 7, 60].entries()) {
      const bibs = stack(first + 300 * round, 300);
      const done = await killedDuring(victim, bibs, after);
      assert.ok(done.length >= after && done.length < bibs.length,
        `round ${round}: ${done.length} of ${bibs.length} acknowledged; the kill came too late`);
      acknowledged.push(...done);
      unsure.add(bibs[done.length]);
      await victim.start();
      restarted = now();
    }
    await assertHealed(t, stations, restarted, acknowledged);

    // At most one act was under way when the node died; the rest were not begun.
    for (const bib of unsure) {
      const { state } = await victim.json(['ask', String(bib)]);
      assert.ok(['issued', 'unissued'].includes(state), `${bib} is ${state}`);
      assert.equal((await victim.json(['ask', String(bib + 1)])).state, 'unissued');
    }
    // and the stack goes on where it stopped
    const rest = await victim.issue(stack(first + 900, 20));
    await assertHealed(t, stations, now(), acknowledged.concat(rest));
    await victim.stop();
    const { sound } = await victim.json(['verify', '--every']);
    assert.equal(sound, true);
    await victim.start();
  });
}
