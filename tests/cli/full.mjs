// full.mjs: the disk runs full in the middle of issuing: status 3 with a sentence, everything that
// was acknowledged is there, and work goes on when there is room. On a small tmpfs of its own.
import test from 'node:test';
import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { closeSync, existsSync, mkdirSync, openSync, rmSync, statfsSync, writeSync } from 'node:fs';
import { join } from 'node:path';
import { acknowledgements, agree, assertKept, assertRefused, atEnd, makeEvent, scratch, stack,
  told } from '../field.mjs';
import { enterNamespaces } from '../namespaces.mjs';

await enterNamespaces(import.meta.url);

const MACHINE = 3;
const local = { listen: '127.0.0.1:0' };

// A file system of 24 MiB at `folder`, which is gone when the test ends.
function smallDisk(t, folder) {
  mkdirSync(folder);
  const made = spawnSync('mount', ['-t', 'tmpfs', '-o', 'size=24m,mode=0700', 'none', folder]);
  assert.equal(made.status, 0, String(made.stderr));
  atEnd(t, () => spawnSync('umount', [folder]));
}

// Fills the disk but for `left` bytes with a file of the test's own.
function fill(folder, left) {
  const { bavail, bsize } = statfsSync(folder);
  const fd = openSync(join(folder, 'filler'), 'w');
  for (let rest = bavail * bsize - left; rest > 0; rest -= 65536) {
    writeSync(fd, Buffer.alloc(Math.min(rest, 65536)));
  }
  closeSync(fd);
}

for (const running of [false, true]) {
  test(`disk full ${running ? 'under a running node' : 'without a node'}`, async (t) => {
    const disk = join(scratch(t), 'd');
    smallDisk(t, disk);
    const [lead, table] = await makeEvent(disk, [local, local]);
    atEnd(t, () => table.alive && table.kill());
    if (running) await table.start();
    const kept = await table.issue(stack(1001, 10));

    fill(disk, 128 * 1024);
    const input = stack(1011, 900).map((bib) => `${bib}\n`).join('');
    const answer = await table.run(['issue', '-', '--json'], { input });
    assert.equal(answer.status, MACHINE, told({ ...answer, stdout: '' }));
    kept.push(...acknowledgements(answer.stdout));
    t.diagnostic(`${kept.length} acknowledged before the disk was full`);
    assert.ok(kept.length < 900, 'the disk never ran full');

    const next = String(1000 + kept.length + 50);
    const refused = await table.run(['issue', next]);
    assertRefused(refused, MACHINE);
    assert.match(refused.stderr, /full|room/);
    // what can be read can be read, and a stick elsewhere gets everything
    assert.equal((await table.json(['ask', '1005'])).state, 'issued');
    assert.equal((await table.json(['ask', next])).state, 'unissued');
    const elsewhere = join(scratch(t), 'stick.carry');
    await table.must(['carry', 'out', elsewhere]);
    // a full stick gets no half file
    fill(disk, 8192);
    assertRefused(await table.run(['carry', 'out', join(disk, 'stick.carry')]), MACHINE);
    assert.ok(!existsSync(join(disk, 'stick.carry')), 'half a carry file was left');

    rmSync(join(disk, 'filler'));
    kept.push(...await table.issue([1990, 1991]));
    await table.must(['carry', 'out', elsewhere]);
    await lead.must(['carry', 'in', elsewhere]);
    await table.must(['verify', '--every']);
    if (running) {
      assert.equal(await table.stop(), 0);
      await table.must(['verify', '--every']);
    }
    assert.ok(await agree([lead, table]), 'the stick did not bring everything');
    await assertKept([table, lead], kept);
  });
}
