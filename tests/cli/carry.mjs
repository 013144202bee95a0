// carry.mjs: sticks: carry files that are cut, changed, repeated, foreign or no files at all. What
// is good in them is taken, what is not is said, and nothing that was here is lost.
import test from 'node:test';
import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { existsSync, mkdirSync, readFileSync, readdirSync, symlinkSync, writeFileSync } from
  'node:fs';
import { join } from 'node:path';
import { agree, assertKept, assertRefused, atEnd, makeEvent, must, run, scratch, stack } from
  '../field.mjs';

const WRONG = 2;
const local = { listen: '127.0.0.1:0' };

// Lead, Table 1 and Table 2, none running; both tables have chipped 40 bibs and know nothing of
// each other; Table 1's log is in `stick`.
async function tables(t) {
  const folder = scratch(t);
  const [lead, one, two] = await makeEvent(folder, [local, local, local]);
  await lead.must(['carry', 'out', join(folder, 'lead.carry')]);
  for (const station of [one, two]) {
    await station.must(['carry', 'in', join(folder, 'lead.carry')]);
  }
  const kept = [...await one.issue(stack(1001, 40)), ...await two.issue(stack(2001, 40))];
  const stick = join(folder, 'one.carry');
  await one.must(['carry', 'out', stick]);
  return { folder, lead, one, two, kept, stick, bytes: readFileSync(stick) };
}

async function picture(station) {
  const { records, heads_hash, state_hash } = await station.status();
  return { records, heads_hash, state_hash };
}

for (const running of [false, true]) {
  test(`sticks ${running ? 'into a running node' : 'without a node'}`, async (t) => {
    const { folder, one, two, kept, stick, bytes } = await tables(t);
    if (running) {
      atEnd(t, () => two.alive && two.kill());
      await two.start();
    }
    const bad = join(folder, 'bad.carry');

    await t.test('cut short', async () => {
      for (let i = 1; i < 24; i += 1) {
        const length = Math.floor((bytes.length * i) / 24) - (i % 3);
        writeFileSync(bad, bytes.subarray(0, length));
        const answer = await two.run(['carry', 'in', bad, '--json']);
        const report = answer.json();
        if (answer.status === 0) {
          assert.equal(report.truncated, false); // cut between two records: nobody can see it
        } else {
          assert.equal(answer.status, WRONG, answer.stderr);
          assertRefused(await two.run(['carry', 'in', bad]), WRONG);
        }
      }
      writeFileSync(bad, bytes.subarray(0, bytes.length - 1));
      const answer = await two.run(['carry', 'in', bad, '--json']);
      assert.equal(answer.status, WRONG);
      assert.equal(answer.json().truncated, true);
    });

    await t.test('whole, after all the cut ones', async () => {
      const answer = await two.must(['carry', 'in', stick, '--json']);
      const { stored, damaged, foreign, denied, gaps, truncated } = answer.json();
      assert.ok(stored > 0, answer.stdout);
      assert.deepEqual({ damaged, foreign, denied, gaps, truncated },
        { damaged: 0, foreign: 0, denied: 0, gaps: 0, truncated: false });
      await two.must(['carry', 'out', join(folder, 'two.carry'), '--json']);
      await one.must(['carry', 'in', join(folder, 'two.carry')]);
      assert.ok(await agree([one, two]), 'the two tables do not agree');
    });

    const before = await picture(two);
    await t.test('again: nothing new, and no complaint', async () => {
      const { stored } = (await two.must(['carry', 'in', stick, '--json'])).json();
      assert.equal(stored, 0);
      writeFileSync(bad, Buffer.concat([bytes, bytes, bytes]));
      await two.must(['carry', 'in', bad]);
      assert.deepEqual(await picture(two), before);
    });

    await t.test('one bit changed', async () => {
      for (let i = 0; i < 40; i += 1) {
        const at = Math.floor((bytes.length * (i + 0.5)) / 40);
        const changed = Buffer.from(bytes);
        changed[at] ^= 1 << (i % 8);
        writeFileSync(bad, changed);
        assertRefused(await two.run(['carry', 'in', bad]), WRONG);
        assert.deepEqual(await picture(two), before, `bit ${i % 8} of byte ${at} was believed`);
      }
    });

    await t.test('no carry file', async () => {
      for (const [name, content] of [['text', 'hello\n'], ['empty', ''],
        ['zeros', Buffer.alloc(5000)], ['ones', Buffer.alloc(5000, 0xff)],
        ['nest', Buffer.alloc(20000, 0x81)], ['huge', Buffer.from('5bffffffffffffffff00', 'hex')],
        ['picture', Buffer.from('89504e470d0a1a0a0000000d49484452', 'hex')]]) {
        writeFileSync(bad, content);
        const answer = await two.run(['carry', 'in', bad]);
        assertRefused(answer, WRONG);
        assert.deepEqual(await picture(two), before, name);
      }
    });

    await t.test('no regular file, or none', async () => {
      const fifo = join(folder, 'fifo');
      assert.equal(spawnSync('mkfifo', [fifo]).status, 0);
      const link = join(folder, 'link');
      symlinkSync(stick, link);
      for (const name of [fifo, link, folder, join(folder, 'nowhere')]) {
        const answer = await two.run(['carry', 'in', name], { within_ms: 20000 });
        assert.ok(answer.status === 2 || answer.status === 3, answer.stderr);
        assertRefused(answer, answer.status);
      }
      for (const name of [fifo, link, folder, join(folder, 'nowhere', 'x.carry')]) {
        const answer = await two.run(['carry', 'out', name], { within_ms: 20000 });
        assert.ok(answer.status === 2 || answer.status === 3, answer.stderr);
        assertRefused(answer, answer.status);
      }
      assert.deepEqual(readFileSync(stick), bytes, 'what the link points to was written over');
      assert.deepEqual(readdirSync(folder).filter((name) => /tmp|part/.test(name)), []);
    });

    await t.test("another event's", async () => {
      const elsewhere = join(folder, 'elsewhere');
      if (!existsSync(elsewhere)) mkdirSync(elsewhere, { mode: 0o700 });
      const [, other] = await makeEvent(elsewhere, [local, local]);
      await other.issue(stack(1001, 5));
      const foreign = join(elsewhere, 'foreign.carry');
      await other.must(['carry', 'out', foreign]);
      const answer = await two.run(['carry', 'in', foreign, '--json']);
      assert.equal(answer.status, WRONG, answer.stderr);
      assert.ok(answer.json().foreign > 0, answer.stdout);
      assertRefused(await two.run(['carry', 'in', foreign]), WRONG);
      assert.deepEqual(await picture(two), before);

      // mixed on one stick: ours is taken, the rest is said
      await one.must(['issue', running ? '1101' : '1102']);
      await one.must(['carry', 'out', stick]);
      writeFileSync(bad, Buffer.concat([readFileSync(foreign), readFileSync(stick)]));
      const mixed = await two.run(['carry', 'in', bad, '--json']);
      assert.equal(mixed.status, WRONG, mixed.stderr);
      assert.equal(mixed.json().stored > 0, true, mixed.stdout);
      assert.ok(await agree([one, two]), 'the good part was not taken');
    });

    await assertKept([one, two], kept);
    await two.must(['verify', '--every']);
  });
}

test('merge takes what is good and says what is not', async (t) => {
  const { folder, one, two, kept, stick, bytes } = await tables(t);
  const second = join(folder, 'two.carry');
  await two.must(['carry', 'out', second]);
  const torn = join(folder, 'torn.carry');
  writeFileSync(torn, bytes.subarray(0, bytes.length - 7));
  const out = join(folder, 'torn');
  assertRefused(await run(['merge', '--out', out, second, torn]), WRONG);
  const merged = await must(['merge', '--out', join(folder, 'all'), second, stick, torn, '--json'])
    .catch((error) => error);
  assert.match(String(merged.message), /status 2/, 'a torn file among good ones is said');

  const whole = await must(['merge', '--out', join(folder, 'whole'), second, stick, '--json']);
  const byFolder = await must(['merge', '--out', join(folder, 'dirs'), one.dir, two.dir, '--json']);
  await one.must(['carry', 'in', second]);
  const { heads_hash, state_hash } = await one.status();
  for (const answer of [whole, byFolder]) {
    assert.equal(answer.json().heads_hash, heads_hash);
    assert.equal(answer.json().state_hash, state_hash);
  }
  assertRefused(await run(['merge', '--out', join(folder, 'whole'), second]), WRONG);
  assertRefused(await run(['merge', '--out', join(folder, 'none')]), WRONG);
  assertRefused(await run(['--dir', join(folder, 'whole'), 'issue', '1900']), 1);
  await assertKept([one], kept);
});
