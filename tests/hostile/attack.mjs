// attack.mjs: what the hostile tests share: the attacker as a process, what a node takes meanwhile
// of memory and of a helper's patience, and a wire that is listened to.
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { readFileSync } from 'node:fs';
import { connect, createServer } from 'node:net';
import { dirname, join } from 'node:path';
import assert from 'node:assert/strict';
import { Stream, agree, assertKept, atEnd, doublesOf, makeEvent, now, program, scratch, sleep, stack,
  until } from '../field.mjs';

// A program of this folder: where ctest says, or beside the program under test.
export const tool = (name, env) => process.env[env] || join(dirname(program), '../tests', name);

// Runs tests/hostile/hostile.c against `target`, a running station, with the folder of `by`:
// {session, sent, sent_bytes, heard, heard_bytes, dropped}.
export async function attack(t, mode, { target, by, for_ms = 2000, at, ...more }) {
  const words = [mode, '--dir', by.dir, '--target', target.name, '--at', at ?? target.address,
    '--for', String(for_ms)];
  if (more.count !== undefined) words.push('--count', String(more.count));
  if (more.stranger) words.push('--stranger');
  if (more.as) words.push('--as', more.as.dir);
  if (more.claim) words.push('--claim', more.claim.dir);
  return JSON.parse(await tooled(t, tool('hostile', 'HOSTILE'), words));
}

// Writes into the lead's folder that the station `name` is retired ('dead' or 'stolen').
export const retire = (t, lead, name, how) =>
  tooled(t, tool('hostile_retire', 'HOSTILE_RETIRE'), [lead.dir, name, how]);

async function tooled(t, file, words) {
  const child = spawn(file, words, { stdio: ['ignore', 'pipe', 'pipe'] });
  atEnd(t, () => child.exitCode === null && child.kill('SIGKILL'));
  let stdout = '';
  let stderr = '';
  child.stdout.setEncoding('utf8').on('data', (text) => (stdout += text));
  child.stderr.setEncoding('utf8').on('data', (text) => (stderr += text));
  const [status, signal] = await once(child, 'close');
  assert.equal(status, 0, `${words.join(' ')}: ${status ?? signal} ${stderr}`);
  return stdout;
}

// Bytes of memory that the node holds now.
export const resident = ({ child }) =>
  1024 * Number(/VmRSS:\s+(\d+)/.exec(readFileSync(`/proc/${child.pid}/status`, 'utf8'))[1]);

export const MiB = 1 << 20;
export const inMiB = (bytes) => `${Math.round(bytes / MiB)} MiB`;

// Issues bib after bib as a helper does, each when the one before is acknowledged, until `done` is
// settled (at least `least`): {took: [ms, sorted], kept}. `bibs` is an iterator.
export async function issueUntil(station, bibs, done, least = 40) {
  let going = true;
  const end = () => (going = false);
  done.then(end, end);
  const stream = new Stream(station);
  const took = [];
  while (going || took.length < least) {
    const { value, done: out } = bibs.next();
    if (out) break;
    const start = now();
    const answer = await stream.feed(value);
    assert.ok(answer?.record, `bib ${value} was not issued: ${JSON.stringify(answer)}\n` +
      `${station.child?.signalCode ?? ''} ${station.lastWords()}`);
    took.push(now() - start);
    await sleep(20);
  }
  const { acknowledged } = stream;
  await stream.end();
  return { took: took.sort((a, b) => a - b), kept: acknowledged };
}
export const median = (sorted) => sorted[Math.floor(sorted.length / 2)];
export const ms = (value) => `${value.toFixed(1)} ms`;

// Looks at `station` again and again until `done` is settled, each time by a command of its own: how
// often that was answered, the most memory that it held, and those of `others` that were found not
// connected to it, if any.
export async function watch(station, others, done) {
  let going = true;
  const end = () => (going = false);
  done.then(end, end);
  let most = resident(station);
  let looks = 0;
  const away = new Set();
  while (going) {
    most = Math.max(most, resident(station));
    const { peers } = await station.status();
    looks += going ? 1 : 0;
    for (const { name } of others) {
      if (!peers.some((peer) => peer.name === name && peer.connected)) away.add(name);
    }
    await sleep(50);
  }
  return { looks, most, away: [...away] };
}

// A wire to `address` that can be listened to: where to call instead, and each connection's bytes
// both ways, in the order of their coming.
export async function tap(t, address) {
  const [host, port] = address.split(':');
  const connections = [];
  const server = createServer((caller) => {
    const called = connect(Number(port), host);
    const heard = { said: [], answered: [] };
    connections.push(heard);
    for (const [from, to, kept] of [[caller, called, heard.said], [called, caller,
      heard.answered]]) {
      from.on('data', (bytes) => {
        kept.push(bytes);
        to.write(bytes);
      });
      from.on('error', () => to.destroy());
      from.on('close', () => to.destroy());
    }
    atEnd(t, () => (caller.destroy(), called.destroy()));
  });
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  atEnd(t, () => server.close());
  return { address: `127.0.0.1:${server.address().port}`, connections };
}

// What one side sent of ZMTP 3.1 with CURVE (rfc.zeromq.org/spec/37 and /spec/26): the greeting,
// and the frames as {command, name, size}; a name only where it is readable: handshake commands,
// and MESSAGE, which is anything at all, encrypted.
export function frames(bytes) {
  const greeting = bytes.subarray(0, 64);
  const found = [];
  let rest = bytes.subarray(64);
  while (rest.length > 1) {
    const long = (rest[0] & 2) !== 0;
    if (long && rest.length < 9) break;
    const size = long ? Number(rest.readBigUInt64BE(1)) : rest[1];
    const body = rest.subarray(long ? 9 : 2);
    if (body.length < size) break;
    found.push({
      command: (rest[0] & 4) !== 0,
      name: body.toString('latin1', 1, 1 + body[0]),
      size,
    });
    rest = body.subarray(size);
  }
  return { greeting, found, rest };
}
export const mechanism = (greeting) => greeting.toString('latin1', 12, 32).replace(/\0+$/, '');

// A MESSAGE of CurveZMQ holds its name (8 bytes), a nonce (8), a box (16 more than what is in it),
// of which one byte are flags. libzmq's PING has 7 bytes and PONG 5: what is not longer says nothing.
export const SILENT = 8 + 8 + 16 + 1 + 7;

// ---- a table among honest stations ----

export const local = { listen: '127.0.0.1:0' };

export const meet = (stations, least = 1) => until('they have met', 20000, async () => {
  for (const station of stations) {
    const { peers } = await station.status();
    if (peers.filter(({ connected }) => connected).length < least) return false;
  }
  return agree(stations);
});

// A lead and two tables that run and have met, and two folders of stations that do not run. `before`
// has its say before anything runs.
export async function open(t, before = () => {}) {
  const place = scratch(t);
  const [lead, table, other, spare, thief] = await makeEvent(place, Array(5).fill(local));
  const honest = [lead, table, other];
  atEnd(t, async () => {
    for (const station of [...honest, thief]) if (station.alive) await station.kill();
  });
  await before({ place, lead, spare, thief });
  await lead.start();
  for (const station of [table, other]) station.peers = [lead.address];
  await table.start();
  await other.start();
  const kept = await table.issue(stack(1001, 10));
  await meet(honest, 2);
  const bibs = stack(1011, 900).values();
  const calm = await issueUntil(table, bibs, sleep(800));
  kept.push(...calm.kept);
  return { place, lead, table, other, spare, thief, honest, kept, bibs, calm: median(calm.took) };
}

// All is well in the end: the honest stations run, agree, are sound, and have lost nothing.
export async function assertWell({ table, honest, kept }, ...verify) {
  await until('honest stations agree', 30000, () => agree(honest));
  for (const station of honest) {
    assert.ok(station.alive, station.lastWords());
    await station.must(['verify', ...verify]);
    assert.deepEqual(await doublesOf(station), []);
  }
  await assertKept(honest, kept);
  assert.ok((await table.status()).peers.length >= 2);
}

// Issues at the table until `done`, what the attack gives, is settled, and looks at it meanwhile: it
// lives, answers commands, keeps its sessions, and takes no more than `bound` bytes of memory for it.
export async function underAttack(t, at, what, done, bound) {
  const { table, lead, other, bibs, kept, calm } = at;
  const before = resident(table);
  const [issued, seen, told] = await Promise.all([issueUntil(table, bibs, done),
    watch(table, [lead, other], done), done]);
  kept.push(...issued.kept);
  t.diagnostic(`${what}: an issue took ${ms(median(issued.took))} (median of ` +
    `${issued.took.length}; ${(median(issued.took) / calm).toFixed(1)} times as long ` +
    `as before), at most ${ms(issued.took.at(-1))}; memory ${inMiB(before)}, at most ` +
    `${inMiB(seen.most)}, then ${inMiB(resident(table))}`);
  assert.ok(table.alive, table.lastWords());
  assert.deepEqual(seen.away, [], 'a session of an honest station ended');
  assert.ok(seen.looks >= 5, `only ${seen.looks} commands were answered`);
  assert.ok(seen.most - before < bound, `grew from ${before} to ${seen.most}`);
  return told;
}

// `count` connections that say nothing; with `again` each calls anew when it was hung up on. Gives
// what ends them.
export function idle(t, address, count, again = false) {
  const [host, port] = address.split(':');
  const sockets = new Set();
  let going = true;
  const call = () => {
    const socket = connect(Number(port), host).on('error', () => {}).resume();
    sockets.add(socket);
    socket.on('close', () => {
      sockets.delete(socket);
      if (going && again) setTimeout(() => going && call(), 20);
    });
  };
  for (let i = 0; i < count; i += 1) call();
  const end = () => {
    going = false;
    sockets.forEach((socket) => socket.destroy());
  };
  atEnd(t, end);
  return { sockets, end };
}
