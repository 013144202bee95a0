// kill.mjs: SIGKILL at random moments, hundreds of times: of a node that is being issued at, of
// plain commands without a node, and of two stations in gossip. After each kill the stack goes on
// at the bib that was under way, which shows what became of it: there as a whole, or not at all.
//
// Seeded: `SEED=7 node tests/crash/kill.mjs` tries the same again. KILLS is for how many, else 210.
import test from 'node:test';
import assert from 'node:assert/strict';
import { once } from 'node:events';
import { Stream, agree, assertKept, atEnd, launch, listed, makeEvent, scratch, sleep, told,
  until } from '../field.mjs';
import { Chance, seed } from './chance.mjs';

const KILLS = Number(process.env.KILLS || 210);
const CHECK_EVERY = 15;
const local = { listen: '127.0.0.1:0' };
console.log(`# SEED=${seed} KILLS=${KILLS}`);

// What one station was told of its stack: a run of bibs, of which each is acknowledged before the
// next is fed.
class Ledger {
  constructor(station, first) {
    Object.assign(this, { station, next: first, kept: new Map(), came: 0, gone: 0 });
  }
  // Looks at the answer to `bib`, which may have been under way when the last process died.
  take(bib, answer) {
    if (answer.error) {
      assert.equal(answer.error, 'already_issued', `bib ${bib}: ${JSON.stringify(answer)}`);
      assert.equal(answer.issues.length, 1, `bib ${bib} has ${answer.issues.length} issues`);
      const [issue] = answer.issues;
      assert.ok(issue.live && issue.tags.length === 1, `bib ${bib}: ${JSON.stringify(issue)}`);
      this.came++;
      this.kept.set(bib, issue.record);
    } else {
      assert.equal(answer.bib, String(bib));
      this.kept.set(bib, answer.record);
    }
  }
  // Issues one bib after the other until the process behind `stream` dies. `pause_ms` between them.
  async work(stream, pause_ms = 0) {
    let answer;
    this.stopped = false;
    while (!this.stopped && (answer = await stream.feed(this.next)) && answer.error !== 'socket') {
      this.take(this.next++, answer);
      if (pause_ms > 0) await sleep(pause_ms);
    }
  }
  // The last acknowledged one, asked for once more, is the same record.
  async lookBack() {
    const last = this.next - 1;
    if (!this.kept.has(last)) return;
    const { issues } = await this.station.json(['ask', String(last)]);
    assert.deepEqual(issues.map(({ record }) => record), [this.kept.get(last)], `bib ${last}`);
  }
  // All that was acknowledged is listed, once, and nothing that was never begun.
  async check() {
    await this.lookBack();
    const records = await listed(this.station);
    for (const [bib, record] of this.kept) {
      assert.ok(records.has(record), `bib ${bib} was acknowledged and is gone`);
    }
    const { sound } = await this.station.json(['verify']);
    assert.equal(sound, true);
    return records.size;
  }
}

async function kill(child) {
  const ended = child.exitCode !== null || child.signalCode ? null : once(child, 'exit');
  child.kill('SIGKILL');
  await ended;
}

// A start that may be killed at any moment of it.
async function startAndKill(station, ms) {
  const starting = station.start().catch(() => undefined);
  await sleep(ms);
  await kill(station.child);
  await starting;
}

test('plain commands without a node', async (t) => {
  const chance = new Chance(seed);
  const [, station] = await makeEvent(scratch(t), [local, local]);
  const ledger = new Ledger(station, 2001);
  const kills = Math.floor(KILLS / 3);
  for (let i = 1; i <= kills; i++) {
    if (chance.one(3)) {
      // one command for one bib, killed around its commit
      const words = ['--dir', station.dir, 'issue', String(ledger.next), '--reason', 'x', '--json'];
      const child = launch(words);
      let out = '';
      child.stdout.on('data', (text) => (out += text));
      const closed = once(child, 'close');
      await sleep(chance.between(0, 12));
      child.kill('SIGKILL');
      await closed;
      if (out.endsWith('\n')) ledger.take(ledger.next++, JSON.parse(out));
    } else {
      const stream = new Stream(station, ['--reason', 'x']);
      setTimeout(() => stream.child.kill('SIGKILL'), chance.between(0, 50));
      await ledger.work(stream);
      await stream.ended;
    }
    if (i % CHECK_EVERY === 0 || i === kills) {
      const stream = new Stream(station, ['--reason', 'x']);
      ledger.take(ledger.next, await stream.feed(ledger.next));
      ledger.next++;
      await stream.end();
      const records = await ledger.check();
      assert.equal(records, ledger.kept.size, 'more is listed than was ever begun');
    }
  }
  const { sound, records } = await station.json(['verify', '--every']);
  assert.equal(sound, true);
  t.diagnostic(`${kills} kills, ${ledger.kept.size} acknowledged, ${ledger.came} of them came ` +
    `through without an answer, ${records} records`);
});

test('a node that is being issued at', async (t) => {
  const chance = new Chance(seed + 1);
  const [, station] = await makeEvent(scratch(t), [local, local]);
  atEnd(t, () => station.alive && station.kill());
  const ledger = new Ledger(station, 2001);
  const kills = Math.floor(KILLS / 3);
  for (let i = 1; i <= kills; i++) {
    if (chance.one(6)) {
      await startAndKill(station, chance.between(0, 25));
      continue;
    }
    await station.start();
    const stream = new Stream(station, ['--reason', 'x']);
    const working = ledger.work(stream);
    await sleep(chance.between(0, 70));
    await station.kill();
    ledger.stopped = true; // a stream that came too late for the node works without one
    await working;
    assert.ok([0, 1, 3].includes(await stream.end()));
    if (i % CHECK_EVERY === 0 || i === kills) {
      await station.start();
      const again = new Stream(station, ['--reason', 'x']);
      ledger.take(ledger.next, await again.feed(ledger.next));
      ledger.next++;
      await again.end();
      const records = await ledger.check();
      assert.equal(records, ledger.kept.size, 'more is listed than was ever begun');
      await station.kill();
    }
  }
  await station.must(['verify', '--every']);
  t.diagnostic(`${kills} kills, ${ledger.kept.size} acknowledged, ${ledger.came} of them came ` +
    'through without an answer');
});

test('two stations in gossip', async (t) => {
  const chance = new Chance(seed + 2);
  const stations = await makeEvent(scratch(t), [local, local]);
  const [lead, table] = stations;
  stations.forEach((station) => atEnd(t, () => station.alive && station.kill()));
  const ledgers = [new Ledger(lead, 2001), new Ledger(table, 10001)];
  const streams = [];
  const working = [];
  const begin = async (i) => {
    await stations[i].start();
    if (i === 0) table.peers = [lead.address];
    streams[i] = new Stream(stations[i], ['--reason', 'x']);
    working[i] = ledgers[i].work(streams[i], 3);
  };
  const end = async (i) => {
    await stations[i].kill();
    ledgers[i].stopped = true;
    await working[i];
    await streams[i].end();
  };
  // The lead keeps its address, so that the table finds it again.
  await lead.start();
  lead.listen = lead.address;
  await lead.stop();
  await begin(0);
  await begin(1);
  const kills = KILLS - 2 * Math.floor(KILLS / 3);
  for (let i = 1; i <= kills; i++) {
    await sleep(chance.between(0, 120));
    const victim = chance.between(0, 1);
    await end(victim);
    await begin(victim);
    if (i % CHECK_EVERY === 0) {
      const { sound } = await stations[victim].json(['verify']);
      assert.equal(sound, true);
    }
  }
  // Both at once. What a station calls safe elsewhere is there: receipts are never ahead.
  await Promise.all([end(0), end(1)]);
  const atLead = await listed(lead);
  const elsewhere = [...ledgers[1].kept.values()].filter((record) => atLead.has(record));
  const { unsafe } = await table.status();
  const only = ledgers[1].kept.size - elsewhere.length;
  assert.ok(unsafe >= only, `${only} records are on no other station, status says ${unsafe}`);

  await begin(0);
  await begin(1);
  await sleep(50);
  for (const ledger of ledgers) ledger.stopped = true;
  await Promise.all(working);
  await Promise.all(streams.map((stream) => stream.end()));
  await until('both agree', 20000, () => agree(stations));
  for (const [i, station] of stations.entries()) {
    const kept = [...ledgers[i].kept].map(([bib, record]) => ({ bib, record }));
    await assertKept(stations, kept);
    assert.equal((await station.json(['status'])).doubles, 0);
    assert.equal(await station.stop(), 0);
    const verified = await station.run(['verify', '--every', '--json']);
    assert.equal(verified.status, 0, told(verified));
  }
  t.diagnostic(`${kills + 2} kills, ${ledgers[0].kept.size} + ${ledgers[1].kept.size} acknowledged`);
});
