// stolen.mjs: what a retirement does to the roads, in a hall of network namespaces: who has heard
// that a laptop is stolen does not call it, and the news goes ahead of thousands of records.
import test from 'node:test';
import assert from 'node:assert/strict';
import { agree, atEnd, makeEvent, scratch, sleep, stack, until } from '../field.mjs';
import { enterNamespaces } from '../namespaces.mjs';
import { Hall, LONG_MS, meet, openHall } from '../net/net.mjs';
import { carry } from './trust.mjs';

await enterNamespaces(import.meta.url, { net: true });

const isOut = async (station, name) =>
  (await station.status()).retired.some((out) => out.name === name && out.how === 'stolen');

// The calls that come to a host: the first packet of each connection that is asked for.
const CALLS = ['tcp flags & (syn | ack) == syn'];

test('who knows that a laptop is stolen does not call it', async (t) => {
  const { hall, stations } = await openHall(t, 4);
  const [lead, thief, table, other] = stations;
  const honest = [lead, table, other];
  await meet(stations, 3);
  await thief.issue(stack(1001, 3));
  await until('all agree', 10000, () => agree(stations));
  // Its program ends: the others call where it was, as they should.
  await thief.kill();
  hall.drop(2, CALLS);
  await until('the others call it', 20000, () => hall.dropped(2) > 0);

  await lead.must(['retire', 'Table 1', '--stolen']);
  await until('all know', 10000, async () =>
    (await Promise.all(honest.map((station) => isOut(station, 'Table 1')))).every(Boolean));
  await sleep(LONG_MS); // the kernel says again what was said before
  hall.drop(2, CALLS);
  await sleep(LONG_MS);
  assert.equal(hall.dropped(2), 0, 'a stolen station was called');
  // Nor after a start, when all roads are looked for anew.
  await table.stop();
  await table.start();
  await meet(honest, 2);
  await sleep(LONG_MS);
  assert.equal(hall.dropped(2), 0, 'a stolen station was called after a start');
});

// Waits until a station knows that `name` is out; gives how many records it held then.
async function heldWhenOut(t, station, name, within_ms) {
  let held;
  await until(`${station.name} knows`, within_ms, async () => {
    const { retired, records } = await station.status();
    held = records;
    return retired.some((out) => out.name === name);
  }, 1);
  t.diagnostic(`${station.name} knew of ${name} with ${held} records held`);
  return held;
}

test('the news goes ahead of 20,000 records', async (t) => {
  const hall = new Hall(t, 5);
  const stations = await makeEvent(scratch(t), hall.places());
  const [lead, , bulk, behind, later] = stations;
  atEnd(t, async () => {
    for (const station of stations) if (station.alive) await station.kill();
  });
  await lead.must(['allot', 'Table 2', '1001-20000']);
  await carry(lead, bulk);
  for (let bib = 1001; bib < 20000; bib += 1000) await bulk.issue(stack(bib, 1000));
  await lead.issue(stack(1, 1000));
  await carry(bulk, lead);
  await lead.must(['retire', 'Table 1', '--stolen']);
  await lead.start();
  behind.peers = [lead.listen];
  await behind.start();
  const held = await heldWhenOut(t, behind, 'Table 1', 20000);
  assert.ok(held < 10000, `it knew only with ${held} records held`);
  await until('all agree', 60000, () => agree([lead, behind]));
  await behind.stop();

  // News that comes about while a station is catching up overtakes what was not asked for yet.
  hall.slow(1, 400);
  later.peers = [lead.listen];
  await later.start();
  await until('Table 4 is catching up', 20000, async () => (await later.status()).records > 2000, 1);
  await lead.must(['retire', 'Table 2', '--stolen']);
  const { records: before } = await later.status();
  assert.ok(before < 10000, `it had ${before} records before the retirement was written`);
  const then = await heldWhenOut(t, later, 'Table 2', 60000);
  assert.ok(then < 18000, `it knew only with ${then} records held`);
  await until('all agree', 60000, () => agree([lead, later]));
});
