// trust.mjs: what the tests of trust share: stations of a role, sticks, and a second machine.
import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { randomUUID } from 'node:crypto';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { Station, until } from '../field.mjs';

export const local = { listen: '127.0.0.1:0' };
export const NO = 1;
export const WRONG = 2;
export const MACHINE = 3;

// Lets a further station in by files: a station in `folder`, admitted by `by` with these words.
export async function letIn(folder, by, name, words = []) {
  const dir = join(folder, name.toLowerCase().replaceAll(' ', '-'));
  const station = new Station({ ...local, name, dir });
  await station.must(['join', '--name', name, '--request', `${dir}.request`]);
  await by.must(['admit', `${dir}.request`, '--out', `${dir}.grant`, ...words]);
  await station.must(['join', '--grant', `${dir}.grant`]);
  return station;
}

// What `from` holds goes to `to` on a stick.
export async function carry(from, to) {
  const stick = `${from.dir}.stick`;
  await from.must(['carry', 'out', stick]);
  return to.must(['carry', 'in', stick]);
}

export async function alarmsOf(station, name) {
  const { alarms } = await station.status();
  return alarms.filter((alarm) => alarm.name === name).map(({ say }) => say);
}

export function isConnected(station, name) {
  return station.status().then(({ peers }) =>
    peers.some((peer) => peer.name === name && peer.connected));
}

export function meetEach(stations, within_ms = 20000) {
  return until('all connected', within_ms, async () => {
    for (const station of stations) {
      const { peers } = await station.status();
      for (const { name } of stations) {
        if (name !== station.name && !peers.some((peer) => peer.name === name && peer.connected)) {
          return false;
        }
      }
    }
    return true;
  });
}

// The words before a command that then believes to be on another machine: other files are bound
// over those by which it tells. Needs a mount namespace that is the test's own.
export function otherMachine(folder) {
  const boot = join(folder, `boot-${randomUUID()}`);
  const machine = join(folder, `machine-${randomUUID()}`);
  writeFileSync(boot, `${randomUUID()}\n`);
  writeFileSync(machine, `${randomUUID().replaceAll('-', '')}\n`);
  const mounts = `mount --bind ${boot} /proc/sys/kernel/random/boot_id && ` +
    `mount --bind ${machine} /etc/machine-id && exec "$0" "$@"`;
  const words = ['unshare', '--mount', 'sh', '-c', mounts];
  const tried = spawnSync(words[0], [...words.slice(1), 'cat', '/proc/sys/kernel/random/boot_id'],
    { encoding: 'utf8' });
  assert.equal(tried.status, 0, tried.stderr);
  assert.match(tried.stdout, /^[0-9a-f-]{36}\n$/);
  return words;
}
