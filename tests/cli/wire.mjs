// wire.mjs: strangers at the door: random bytes, half greetings, plain-text peers, many idle
// connections, a peer of another event. The node goes on, stays small, and takes nothing.
// What comes from an admitted key (limits, multipart, versions) is tested in C, in the process.
//
// ZMTP greetings are written after rfc.zeromq.org/spec/23 (ZMTP 3.0), section "Greeting".
import test from 'node:test';
import assert from 'node:assert/strict';
import { randomBytes } from 'node:crypto';
import { mkdirSync, readFileSync } from 'node:fs';
import { connect } from 'node:net';
import { join } from 'node:path';
import { assertKept, atEnd, makeEvent, now, scratch, sleep, stack, until } from '../field.mjs';

const local = { listen: '127.0.0.1:0' };

async function openTable(t, folder = scratch(t)) {
  const [lead, table] = await makeEvent(folder, [local, local]);
  atEnd(t, () => table.alive && table.kill());
  await table.start();
  const kept = await table.issue(stack(1001, 10));
  return { lead, table, kept };
}

const resident = ({ child }) =>
  1024 * Number(/VmRSS:\s+(\d+)/.exec(readFileSync(`/proc/${child.pid}/status`, 'utf8'))[1]);

// Sends `chunks` to the station and gives what came back until it hung up, or until `within_ms`.
function talk(station, chunks, within_ms = 2000) {
  const [host, port] = station.address.split(':');
  return new Promise((done) => {
    const heard = [];
    const socket = connect(Number(port), host);
    const timer = setTimeout(() => socket.destroy(), within_ms);
    socket.on('data', (bytes) => heard.push(bytes));
    socket.on('error', () => {});
    socket.on('close', () => {
      clearTimeout(timer);
      done(Buffer.concat(heard));
    });
    socket.on('connect', async () => {
      for (const chunk of chunks) {
        if (socket.destroyed) break;
        if (!socket.write(chunk)) await Promise.race([new Promise((ok) => {
          socket.once('drain', ok);
          socket.once('close', ok);
        })]);
      }
    });
  });
}

// The node goes on as if nothing had been.
async function assertWell({ table, kept }, bib) {
  assert.ok(table.alive, `the node ended: ${table.lastWords()}`);
  kept.push(...await table.issue([bib]));
  await assertKept([table], kept);
}

function greeting(mechanism, version = [3, 0]) {
  const bytes = Buffer.alloc(64);
  Buffer.from([0xff, 0, 0, 0, 0, 0, 0, 0, 1, 0x7f, ...version]).copy(bytes);
  bytes.write(mechanism, 12, 'latin1');
  return bytes;
}
const command = (name, body = '') => {
  const content = Buffer.concat([Buffer.from([name.length]), Buffer.from(name), Buffer.from(body)]);
  return Buffer.concat([Buffer.from([4, content.length]), content]);
};

test('random bytes, in ten lengths', async (t) => {
  const at = await openTable(t);
  const before = resident(at.table);
  for (let i = 0; i < 10; i += 1) await talk(at.table, [randomBytes(1 << (2 * i))], 500);
  await assertWell(at, 1011);
  assert.ok(resident(at.table) - before < 64 << 20, 'random bytes made the node grow');
});

test('greetings of all kinds', async (t) => {
  const at = await openTable(t);
  const ready = command('READY', '\x0bSocket-Type\0\0\0\x06DEALER');
  const huge = Buffer.from([2, 0x7f, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff]);
  for (const [what, chunks] of [
    ['NULL, which has no keys', [greeting('NULL'), ready]],
    ['PLAIN, with a name and password', [greeting('PLAIN'), command('HELLO', '\x05admin\x05admin')]],
    ['CURVE, and then noise', [greeting('CURVE'), command('HELLO', randomBytes(192).toString('hex')
      .slice(0, 194))]],
    ['CURVE, and a frame of 2^63 bytes', [greeting('CURVE'), huge, randomBytes(1 << 16)]],
    ['an old version', [greeting('NULL', [1, 0]), ready]],
    ['a version to come', [greeting('CURVE', [9, 9])]],
    ['half a greeting', [greeting('CURVE').subarray(0, 30)]],
    ['a page asked for', ['GET / HTTP/1.1\r\nHost: table\r\n\r\n']],
    ['a TLS greeting', [Buffer.from('16030100c8010000c40303', 'hex'), randomBytes(200)]],
  ]) {
    await t.test(what, async () => {
      const heard = await talk(at.table, chunks, 700);
      assert.ok(!heard.subarray(64).includes('READY'), 'a stranger was let in');
      for (const word of ['Table 1', 'Lead', 'Kettle']) {
        assert.ok(!heard.includes(word), `a stranger was told "${word}"`);
      }
    });
  }
  await assertWell(at, 1011);
});

test('300 idle connections, and a slow drip', async (t) => {
  const at = await openTable(t);
  const before = resident(at.table);
  const [host, port] = at.table.address.split(':');
  const sockets = stack(0, 300).map(() => connect(Number(port), host).on('error', () => {}));
  atEnd(t, () => sockets.forEach((socket) => socket.destroy()));
  await sleep(500);
  const drip = sockets.slice(0, 20);
  for (const byte of greeting('CURVE')) {
    drip.forEach((socket) => socket.writable && socket.write(Buffer.from([byte])));
    await sleep(10);
  }
  await assertWell(at, 1011);
  assert.ok(resident(at.table) - before < 64 << 20, 'idle connections made the node grow');
});

test('a peer of another event', async (t) => {
  const folder = scratch(t);
  const mine = await openTable(t, folder);
  const elsewhere = join(folder, 'elsewhere');
  mkdirSync(elsewhere, { mode: 0o700 });
  const [, other] = await makeEvent(elsewhere, [local, local], { scheme: 'own:4712' });
  atEnd(t, () => other.alive && other.kill());
  other.peers = [mine.table.address];
  await other.start();
  await other.issue(stack(1001, 5));
  await mine.table.stop();
  mine.table.peers = [other.address];
  mine.table.listen = mine.table.address;
  await mine.table.start();

  const before = await mine.table.status();
  const seen = now();
  while (now() - seen < 4000) {
    for (const station of [mine.table, other]) {
      const { peers } = await station.status();
      assert.ok(peers.every(({ connected }) => !connected), `${station.name} let the other in`);
    }
    await sleep(250);
  }
  const after = await mine.table.status();
  assert.equal(after.heads_hash, before.heads_hash);
  assert.equal(after.state_hash, before.state_hash);
  await assertWell(mine, 1011);
  await until('the other goes on too', 5000, async () => (await other.issue([1020])).length === 1);
});
