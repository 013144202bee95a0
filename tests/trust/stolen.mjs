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

// An event in which Table 2 has chipped nearly all of 20,000 bibs, and Table 3 has heard of nothing.
async function farBehind(t) {
  const hall = new Hall(t, 4);
  const stations = await makeEvent(scratch(t), hall.places());
  const [lead, , bulk, behind] = stations;
  atEnd(t, async () => {
    for (const station of stations) if (station.alive) await station.kill();
  });
  await lead.must(['allot', 'Table 2', '1001-20000']);
  await carry(lead, bulk);
  await bulk.issue(stack(1001, 19000));
  await lead.issue(stack(1, 1000));
  await carry(bulk, lead);
  return { hall, lead, behind };
}

test('the news goes ahead of 20,000 records', async (t) => {
  const { lead, behind } = await farBehind(t);
  await lead.must(['retire', 'Table 1', '--stolen']);
  await lead.start();
  behind.peers = [lead.listen];
  await behind.start();
  let held;
  await until('Table 3 knows', 20000, async () => {
    const { retired, records } = await behind.status();
    held = records;
    return retired.length > 0;
  }, 1);
  t.diagnostic(`it knew with ${held} records held`);
  assert.ok(held < 10000, `it knew only with ${held} records held`);
  await until('all agree', 30000, () => agree([lead, behind]));
});

test('the news overtakes what is on its way', async (t) => {
  const { hall, lead, behind } = await farBehind(t);
  hall.slow(1, 400);
  await lead.start();
  behind.peers = [lead.listen];
  await behind.start();
  await until('Table 3 is catching up', 20000, async () => (await behind.status()).records > 2000, 1);
  await lead.must(['retire', 'Table 1', '--stolen']);
  const { records: told } = await behind.status();
  assert.ok(told < 10000, `it had ${told} records before the retirement was written`);
  let held;
  await until('Table 3 knows', 60000, async () => {
    const { retired, records } = await behind.status();
    held = records;
    return retired.length > 0;
  }, 1);
  t.diagnostic(`written when it held ${told} records, known when it held ${held}`);
  assert.ok(held < 18000, `it knew only with ${held} records held`);
  await until('all agree', 60000, () => agree([lead, behind]));
});
