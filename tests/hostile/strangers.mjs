// strangers.mjs: those who have no business here: a fresh key, another event's station, a stolen
// laptop, a replayed recording, crowds and messages without end. They learn nothing (every byte
// that comes back is counted), and the table goes on with its own work and with honest stations.
import test from 'node:test';
import assert from 'node:assert/strict';
import { mkdirSync } from 'node:fs';
import { connect } from 'node:net';
import { join } from 'node:path';
import { agree, makeEvent, sleep, stack, until } from '../field.mjs';
import { assertWell, attack, frames, idle, inMiB, local, mechanism, meet, MiB, open, retire, SILENT,
  tap, underAttack } from './attack.mjs';

// A station of another event, whose folder is as good as any.
async function elsewhere(place) {
  const folder = join(place, 'elsewhere');
  mkdirSync(folder, { mode: 0o700 });
  const [, stranger] = await makeEvent(folder, [local, local], { scheme: 'own:4712' });
  await stranger.issue(stack(1001, 3));
  return stranger;
}

const pictureOf = async (station) => {
  const { records, heads_hash, state_hash } = await station.status();
  return { records, heads_hash, state_hash };
};

// Not a byte of what the node said in these connections is more than a handshake and heartbeats.
function assertNothingSaid({ connections }) {
  assert.ok(connections.length > 0, 'nobody connected');
  for (const { answered } of connections) {
    const { greeting, found, rest } = frames(Buffer.concat(answered));
    assert.equal(mechanism(greeting), 'CURVE');
    assert.equal(rest.length, 0);
    for (const { name, size } of found) {
      assert.ok(name === 'WELCOME' || name === 'READY' || (name === 'MESSAGE' && size <= SILENT),
        `a stranger was told ${name}, ${size} bytes`);
    }
  }
}

test('who is not let in hears nothing', async (t) => {
  // The thief's records of before are known; then its laptop is stolen.
  const at = await open(t, async ({ place, lead, thief }) => {
    await thief.issue(stack(4001, 3));
    const stick = join(place, 'thief');
    await thief.must(['carry', 'out', stick]);
    await lead.must(['carry', 'in', stick]);
    await retire(t, lead, 'Table 4', 'stolen');
  });
  const { place, table, other, spare, thief } = at;
  const stranger = await elsewhere(place);
  const before = await pictureOf(table);
  for (const [what, more] of [
    ['a fresh key that shows another station\'s admission', { by: spare, stranger: true }],
    ['a station of another event', { by: spare, as: stranger }],
    ['a stolen station', { by: thief }],
  ]) {
    await t.test(what, async (t) => {
      const wire = await tap(t, table.address);
      const seen = await attack(t, 'whisper', { target: table, at: wire.address, for_ms: 1500,
        ...more });
      assert.ok(seen.sent > 50, `only ${seen.sent} messages were sent`);
      assert.deepEqual([seen.heard, seen.heard_bytes, seen.session], [0, 0, false]);
      assertNothingSaid(wire);
      t.diagnostic(`${seen.sent} messages, ${seen.heard} answers`);
    });
  }
  await t.test('NULL and PLAIN', async (t) => {
    const wire = await tap(t, table.address);
    const seen = await attack(t, 'mechanisms', { target: table, by: spare, stranger: true,
      at: wire.address, for_ms: 1000 });
    assert.equal(seen.heard, 0);
    const others = wire.connections.filter(({ said }) =>
      mechanism(frames(Buffer.concat(said)).greeting) !== 'CURVE');
    assert.ok(others.length >= 2, `${others.length} connections`);
    for (const { answered } of others) assert.ok(Buffer.concat(answered).length <= 64);
  });
  assert.deepEqual(await pictureOf(table), before);
  assert.deepEqual(await pictureOf(other), before);
  await assertWell(at);
});

test('a laptop that is stolen in the middle', async (t) => {
  const at = await open(t);
  const { lead, table, other, thief, honest } = at;
  thief.peers = [table.address, other.address];
  await thief.start();
  await thief.issue(stack(4001, 5));
  await meet([...honest, thief], 2);
  await lead.stop();
  await retire(t, lead, 'Table 4', 'stolen');
  lead.peers = [table.address, other.address];
  await lead.start();
  await until('all know', 20000, () => agree(honest));
  const after = await thief.issue(stack(4006, 5)); // it may go on for itself
  await until('its session is over', 15000, async () => (await Promise.all([table, other].map(
    async (station) => (await station.status()).peers.every((peer) =>
      peer.name !== 'Table 4' || !peer.connected)))).every(Boolean));
  await sleep(1500);
  const picture = await pictureOf(table);
  for (const station of honest) assert.deepEqual(await pictureOf(station), picture);
  for (const { bib } of after) {
    const { state } = (await table.run(['ask', String(bib), '--json'])).json();
    assert.equal(state, 'unissued', `bib ${bib} of the stolen station`);
  }
  assert.equal((await table.run(['ask', '4001', '--json'])).json().state, 'issued');
  await thief.kill();
  await assertWell(at);
});

// Sends the greeting to the node, then the HELLO, then all the rest, each when the answer to the one
// before is there; and gives what came back until the node hung up.
function replay(address, recording, within_ms) {
  const [host, port] = address.split(':');
  const hello = 64 + 2 + frames(recording).found[0].size;
  const steps = [[0, 0, 64], [64, 64, hello], [65, hello, recording.length]];
  return new Promise((done) => {
    const heard = [];
    const on = () => {
      while (steps.length > 0 && Buffer.concat(heard).length >= steps[0][0]) {
        const [, from, to] = steps.shift();
        socket.write(recording.subarray(from, to));
      }
    };
    const socket = connect(Number(port), host, on);
    const timer = setTimeout(() => socket.destroy(), within_ms);
    socket.on('data', (chunk) => {
      heard.push(chunk);
      on();
    });
    socket.on('error', () => {});
    socket.on('close', () => {
      clearTimeout(timer);
      done(Buffer.concat(heard));
    });
  });
}

test('a recording of two stations, played again', async (t) => {
  const at = await open(t);
  const { table, other, lead, kept, honest } = at;
  await other.stop();
  const wire = await tap(t, table.address);
  other.peers = [wire.address, lead.address];
  await other.start();
  await until('they talk by the wire', 15000, async () => wire.connections.some(({ said }) =>
    Buffer.concat(said).length > 2000));
  kept.push(...await other.issue(stack(2001, 20)));
  await until('all agree', 15000, () => agree(honest));
  await sleep(500);
  const taken = wire.connections.map(({ said }) => Buffer.concat(said))
    .filter((said) => frames(said).found.some(({ name }) => name === 'MESSAGE'));
  assert.ok(taken.length > 0, 'no session was recorded');
  const before = await pictureOf(table);
  for (const recording of taken) {
    const sizes = frames(recording).found;
    assert.deepEqual(sizes.slice(0, 2).map(({ name }) => name), ['HELLO', 'INITIATE']);
    for (let i = 0; i < 3; i += 1) {
      const { greeting, found } = frames(await replay(table.address, recording, 2000));
      assert.equal(mechanism(greeting), 'CURVE');
      // The HELLO is as good as it was; the INITIATE is bound to a cookie that is no more.
      assert.deepEqual(found.map(({ name }) => name), ['WELCOME']);
    }
  }
  t.diagnostic(`${taken.length} recordings of ${taken.map((said) => said.length)} bytes`);
  assert.deepEqual(await pictureOf(table), before);
  await assertWell(at);
});

test('records of another event, offered by a station of this one', async (t) => {
  const at = await open(t);
  const { place, table, spare } = at;
  const stranger = await elsewhere(place);
  const before = await pictureOf(table);
  const seen = await attack(t, 'old', { target: table, by: spare, claim: stranger, for_ms: 1500 });
  assert.ok(seen.session, 'there was no session');
  assert.ok(seen.sent > 50, `only ${seen.sent} messages were sent`);
  assert.deepEqual(await pictureOf(table), before);
  const { alarms } = await table.status();
  assert.ok(alarms.some(({ name }) => name === 'unsound'), JSON.stringify(alarms));
  await assertWell(at);
});

// ---- crowds, and messages without end ----

test('crowds', async (t) => {
  const at = await open(t);
  const { table, spare } = at;
  await t.test('1,000 idle connections', async (t) => {
    const crowd = idle(t, table.address, 1000, true);
    await underAttack(t, at, '1,000 idle', sleep(3500), 64 * MiB);
    crowd.end();
  });
  await t.test('200 handshakes that drip', async (t) => {
    const { sockets } = idle(t, table.address, 200);
    const greeting = Buffer.alloc(64);
    Buffer.from([0xff, 0, 0, 0, 0, 0, 0, 0, 1, 0x7f, 3, 0]).copy(greeting);
    greeting.write('CURVE', 12, 'latin1');
    const drip = (async () => {
      for (const byte of greeting) {
        sockets.forEach((socket) => socket.writable && socket.write(Buffer.from([byte])));
        await sleep(50);
      }
      await sleep(500);
    })();
    await underAttack(t, at, '200 drips', drip, 64 * MiB);
    await until('all are hung up on', 10000, () => sockets.size === 0);
  });
  await t.test('1,000 strangers with keys', async (t) => {
    await underAttack(t, at, '1,000 with CURVE', attack(t, 'crowd', { target: table, by: spare,
      stranger: true, count: 1000, for_ms: 4500 }), 128 * MiB);
  });
  await assertWell(at);
});

// On loopback far more comes in until it is noticed than on any hall's network.
const BOMB = 256 * MiB;

test('messages without end', async (t) => {
  const at = await open(t);
  for (const [what, stranger] of [['a stranger', true], ['an admitted station', false]]) {
    await t.test(what, async (t) => {
      const seen = await underAttack(t, at, what, attack(t, 'bomb', { target: at.table,
        by: at.spare, stranger, count: 400, for_ms: 2500 }), BOMB);
      t.diagnostic(`sent ${inMiB(seen.sent_bytes)}, hung up on ${seen.dropped} times`);
      assert.ok(seen.sent_bytes > 16 * MiB, `only ${seen.sent_bytes} bytes were sent`);
      assert.ok(seen.dropped > 0, 'it was not hung up on');
    });
  }
  const { alarms } = await at.table.status();
  assert.ok(alarms.some(({ name }) => name === 'flood'), JSON.stringify(alarms));
  await assertWell(at);
});
