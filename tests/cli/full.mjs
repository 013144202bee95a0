// full.mjs: the disk runs full in the middle of issuing: status 3 with a sentence, everything that
// was acknowledged is there, and work goes on when there is room. On a small tmpfs of its own.
import test from 'node:test';
import assert from 'node:assert/strict';
import { existsSync } from 'node:fs';
import { join } from 'node:path';
import { acknowledgements, agree, assertKept, assertRefused, atEnd, makeEvent, scratch, stack,
  told } from '../field.mjs';
import { fill, makeRoom, smallDisk } from '../disk.mjs';
import { enterNamespaces } from '../namespaces.mjs';

await enterNamespaces(import.meta.url);

const MACHINE = 3;
const local = { listen: '127.0.0.1:0' };

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

    // what a command gave back when it ended is taken up too: not a byte is left
    fill(disk, 0);
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
    assertRefused(await table.run(['carry', 'out', join(disk, 'stick.carry')]), MACHINE);
    assert.ok(!existsSync(join(disk, 'stick.carry')), 'half a carry file was left');

    makeRoom(disk);
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
