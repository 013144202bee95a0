// beacon.mjs: stations find each other by themselves: by beacon, by what they remember, by what others
// tell them; and where broadcast and multicast are blocked, one address is enough.
import test from 'node:test';
import assert from 'node:assert/strict';
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { rmSync } from 'node:fs';
import { join } from 'node:path';
import { agree, atEnd, commandIn, now, sleep, told, until } from '../field.mjs';
import { enterNamespaces } from '../namespaces.mjs';
import { meet } from '../net/net.mjs';
import { DONE, joinWith, openLead, ticketFor } from './tickets.mjs';

await enterNamespaces(import.meta.url, { net: true });

// No broadcast and no multicast comes in.
const MULTICAST = ['ip daddr 224.0.0.0/4', 'ip6 daddr ff00::/8'];
const BROADCAST = ['ip daddr 255.255.255.255', 'ip daddr 10.77.0.255'];
const BLOCKED = [...MULTICAST, ...BROADCAST];

// A lead and tables on the other hosts, joined with tickets, their admits without addresses; the
// lead alone runs, and nothing is remembered by anybody.
async function joinAll(t, count, options) {
  const field = await openLead(t, count, { unsaid: true, ...options });
  const stations = [field.lead];
  for (let i = 2; i <= count; i += 1) {
    const table = field.place(i, `Table ${i - 1}`);
    const joined = await joinWith(table, await ticketFor(field.lead, table.name));
    assert.equal(joined.status, DONE, told(joined));
    stations.push(table);
  }
  return { ...field, stations };
}
const forget = (station) => rmSync(join(station.dir, 'peers'), { force: true });

const peersOf = async (station) =>
  (await station.status()).peers.filter(({ connected }) => connected).length;

for (const [name, blocked] of [['broadcast', MULTICAST], ['multicast', BROADCAST]]) {
  test(`by ${name} alone`, async (t) => {
    const { hall, lead, stations } = await joinAll(t, 3);
    await lead.stop();
    for (let i = 1; i <= stations.length; i += 1) hall.drop(i, blocked);
    for (const station of stations) forget(station);
    await Promise.all(stations.map((station) => station.start()));
    await meet(stations, stations.length - 1, 20000);
    for (let i = 1; i <= stations.length; i += 1) assert.ok(hall.dropped(i) > 0, `host ${i}`);
  });
}

test('by beacon alone', async (t) => {
  const { hall, lead, stations } = await joinAll(t, 4);
  await lead.stop();
  for (const station of stations) forget(station);
  const started = now();
  await Promise.all(stations.map((station) => station.start()));
  await meet(stations, stations.length - 1, 20000);
  t.diagnostic(`four stations, each connected to all others after ${Math.round(now() - started)} ms`);
  await stations[2].must(['issue', '1500']);
  await until('all agree', 10000, () => agree(stations));

  // and one that moves to another address is found again
  const [, , moved] = stations;
  await moved.stop();
  for (const station of stations) forget(station);
  hall.readdress(3, '10.77.0.33');
  moved.listen = '10.77.0.33:7117';
  await moved.start();
  await meet(stations, stations.length - 1, 20000);
});

test('broadcast and multicast are blocked, and one address is known', async (t) => {
  const { hall, lead, stations } = await joinAll(t, 4);
  await lead.stop();
  for (let i = 1; i <= stations.length; i += 1) hall.drop(i, BLOCKED);
  for (const station of stations) forget(station);
  await Promise.all(stations.map((station) => station.start()));
  await sleep(5000);
  assert.deepEqual(await Promise.all(stations.map(peersOf)), [0, 0, 0, 0], 'it is not blocked');
  for (let i = 1; i <= stations.length; i += 1) assert.ok(hall.dropped(i) > 0, `host ${i}`);

  // each table gets one address, the lead's; the tables hear of each other from it
  const tables = stations.slice(1);
  for (const table of tables) {
    await table.stop();
    table.peers = [lead.listen];
  }
  const started = now();
  await Promise.all(tables.map((table) => table.start()));
  await meet(stations, stations.length - 1, 20000);
  t.diagnostic(`all connected by one address after ${Math.round(now() - started)} ms`);

  // and the next time nothing need be said: it is remembered
  for (const station of stations) await station.stop();
  for (const table of tables) table.peers = [];
  await Promise.all(stations.map((station) => station.start()));
  await meet(stations, stations.length - 1, 20000);
});

test('a table that joined with a ticket finds the lead without a beacon', async (t) => {
  const { lead, stations } = await joinAll(t, 2, {
    before: (hall) => {
      for (const i of [1, 2]) hall.drop(i, BLOCKED);
    },
  });
  await stations[1].start();
  await until('all agree', 15000, () => agree([lead, stations[1]]));
});

test('where there is IPv6 only', async (t) => {
  const { lead, stations } = await joinAll(t, 3, { ipv6: true });
  await lead.stop();
  for (const station of stations) forget(station);
  await Promise.all(stations.map((station) => station.start()));
  await meet(stations, stations.length - 1, 20000);
});

test('the lead is not where the ticket says, and is heard', async (t) => {
  const { hall, lead, place } = await openLead(t, 3);
  const text = await ticketFor(lead, 'Table 1', ['--address', '10.77.0.99:7117']);
  const table = place(2, 'Table 1');
  const started = now();
  const joined = await joinWith(table, text);
  assert.equal(joined.status, DONE, told(joined));
  t.diagnostic(`heard, and joined, after ${Math.round(now() - started)} ms`);
  // not heard either: --peer
  hall.drop(3, BLOCKED);
  const other = await ticketFor(lead, 'Table 2', ['--address', '10.77.0.99:7117']);
  const third = place(3, 'Table 2');
  const lost = await joinWith(third, other);
  assert.equal(lost.status, 3, told(lost));
  assert.match(lost.stderr, /does not answer at 10\.77\.0\.99:7117/);
  const found = await joinWith(third, other, ['--peer', lead.listen]);
  assert.equal(found.status, DONE, told(found));
});

// What a machine on host `host` does with beacons that it hears: sends each many times from its own
// address, changed and unchanged, among rubbish. Prints how many it sent.
const replayer = `
  const socket = require('node:dgram').createSocket({ type: 'udp4', reuseAddr: true });
  let heard = 0, sent = 0;
  socket.on('message', (message) => {
    if ((heard += 1) > 2) return;
    for (let i = 0; i < 3000; i += 1) {
      const copy = Buffer.from(message);
      if (i % 3 === 1) copy[i % copy.length] ^= 1 << (i % 8);
      if (i % 3 === 2) copy.fill(i);
      socket.send(i % 100 === 0 ? Buffer.alloc(40000, 7) : copy, 7117, i % 2 ? '10.77.0.1'
        : '255.255.255.255', () => { sent += 1; });
    }
    if (heard === 2) setTimeout(() => { console.log(sent); process.exit(0); }, 2000);
  });
  socket.on('error', (error) => { console.error(error); process.exit(2); });
  socket.bind(7117, () => socket.setBroadcast(true));
  setTimeout(() => process.exit(1), 30000);
`;

test('replayed, forged and senseless beacons do nothing', async (t) => {
  const { hall, lead, stations } = await joinAll(t, 3);
  const [, table] = stations;
  await table.start();
  await until('all agree', 15000, () => agree([lead, table]));
  const [file, ...words] = commandIn(hall.hosts[2], [process.execPath, '-e', replayer]);
  const child = spawn(file, words, { stdio: ['ignore', 'pipe', 'inherit'] });
  atEnd(t, () => child.kill('SIGKILL'));
  let sent = '';
  child.stdout.on('data', (text) => (sent += text));
  const ended = once(child, 'exit');
  let slowest = 0;
  let bib = 1001;
  while (child.exitCode === null) {
    const before = now();
    await lead.must(['issue', String(bib += 1), '--reason', 'helping out']);
    slowest = Math.max(slowest, now() - before);
    await sleep(20);
  }
  assert.equal((await ended)[0], 0);
  assert.ok(Number(sent) > 5000, `sent ${sent}`);
  t.diagnostic(`${Number(sent)} of them; slowest command meanwhile ${Math.round(slowest)} ms`);
  assert.ok(lead.alive && table.alive);
  assert.equal(await peersOf(lead), 1);
  await until('all agree', 10000, () => agree([lead, table]));
  assert.deepEqual((await lead.status()).alarms, []);
});
