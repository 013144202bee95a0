// latency.mjs: starts eight stations on loopback and has bench_latency (C) measure in them.
// Prints figures and judges none; nothing else should run on the machine meanwhile.
// usage: node tests/bench/latency.mjs [COUNT]      (default 300, at most 450; needs build/)
import { spawnSync } from 'node:child_process';
import { dirname, join } from 'node:path';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { agree, makeEvent, program, stack, until } from '../field.mjs';

const STATIONS = 8;
const count = process.argv[2] || '300';
const meter = process.env.BENCH_LATENCY || join(dirname(program), '../tests/bench_latency');

const folder = mkdtempSync(join(process.env.BENCH_DIR || tmpdir(), 'bw-'));
process.on('exit', () => rmSync(folder, { recursive: true, force: true }));

const stations = await makeEvent(folder, stack(0, STATIONS).map(() => ({ listen: '127.0.0.1:0' })));
for (const [i, station] of stations.entries()) {
  station.peers = stations.slice(0, i).map(({ address }) => address);
  await station.start();
}
await until('all are connected and agree', 30000, async () => {
  const seen = await Promise.all(stations.map((station) => station.status()));
  return seen.every(({ peers }) =>
    peers.filter(({ connected }) => connected).length === STATIONS - 1) && agree(stations);
});

// Table 1 has bibs 1001 to 2000: enough for 450 of each measure.
const [, table, ...rest] = stations;
const others = [stations[0], ...rest].map(({ dir }) => dir);
console.log(`${STATIONS} stations on this machine (${folder}):`);
const done = spawnSync(meter, [count, '1001', table.dir, ...others], { stdio: 'inherit' });
for (const station of stations) await station.stop();
process.exitCode = done.status ?? 1;
