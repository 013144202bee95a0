// trouble.mjs: encoders that crash, hang, talk nonsense, flood or never read, each beside a table
// that issues by command and gossips with another. What it costs is printed beside the same without
// an encoder, from the same run.
import test from 'node:test';
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { agree, assertKept, atEnd, makeEvent, now, scratch, sleep, Stream, until } from '../field.mjs';

const local = { listen: '127.0.0.1:0' };
const READY = `echo '{"say":"ready","protocol":1,"name":"trouble","can":["write"]}'`;
const FIELD = `echo '{"say":"field","tags":[{"epc":"000000000000000000000000"}]}'`;
const WORK_MS = 2500; // longer than a flood lasts, and longer than two starts

// Each with what the log says of it.
const troubles = {
  'none': [[], undefined],
  'it works': [['rehearse'], undefined],
  'it crashes': [[`program:${READY}; ${FIELD}; kill -9 $$`], /signal 9/],
  'it hangs': [[`program:${READY}; exec sleep 600`], undefined], // is noticed after 5 s: unit_encoder
  'it talks nonsense': [['program:while :; do head -c 200 /dev/urandom | od -x; done'], /not of the protocol/],
  'it floods': [[`program:${READY}; exec yes '{"say":"typed","text":"1"}'`], /more lines/],
  'it floods without a line': [[`program:${READY}; exec cat /dev/zero`], /too long|more than can be read/],
  'its log floods': [[`program:${READY}; exec yes trouble >&2`], /more than can be read/],
  'it never reads': [[`program:${READY}; while :; do ${FIELD}; sleep 0.2; done`], undefined],
  'two at once': [[`program:${READY}; exec yes '{"say":"typed","text":"1"}'`, 'program:exit 1'], /more lines/],
};

const PAUSE_MS = 4; // between two bibs: enough of them, and not all that the event has

const part = (sorted, share) => sorted[Math.floor((sorted.length - 1) * share)];

// Issues one bib after another for WORK_MS; milliseconds of each, and how long the other table
// needed to have them all.
async function work(table, others, bibs, kept) {
  const stream = new Stream(table);
  const took = [];
  try {
    for (const end = now() + WORK_MS; now() < end;) {
      const from = now();
      const answer = await stream.feed(String(bibs.next));
      assert.ok(answer?.record, JSON.stringify(answer));
      took.push(now() - from);
      kept.push(answer);
      bibs.next += 1;
      await sleep(PAUSE_MS);
    }
  } finally {
    await stream.end();
  }
  const from = now();
  await until('both hold the same', 20000, () => agree([table, ...others]), 10);
  const gossip = now() - from;
  took.sort((a, b) => a - b);
  return { count: took.length, median: part(took, 0.5), most: part(took, 0.99),
    max: took.at(-1), gossip };
}

test('whatever an encoder does, issuing and gossip go on', async (t) => {
  const [lead, table] = await makeEvent(scratch(t), [local, local], {
    extra: ['--epc-repeats'] });
  atEnd(t, () => table.alive && table.kill());
  atEnd(t, () => lead.alive && lead.kill());
  await lead.must(['allot', 'Table 1', '1001-18000']);
  table.peers = [await lead.start()];
  const bibs = { next: 1001 };
  const kept = [];
  const seen = {};
  for (const [name, [encoders, said]] of Object.entries(troubles)) {
    await table.start({ words: encoders.flatMap((spec) => ['--encoder', spec]) });
    await until('they are connected', 20000, async () =>
      (await table.status()).peers.some(({ connected }) => connected));
    const figures = await work(table, [lead], bibs, kept);
    seen[name] = figures;
    t.diagnostic(`${name.padEnd(26)} ${String(figures.count).padStart(5)} issued; each ` +
      `${figures.median.toFixed(2)} ms, 99 of 100 within ${figures.most.toFixed(2)}, longest ` +
      `${figures.max.toFixed(1)}; the other table had them ${figures.gossip.toFixed(0)} ms later`);
    if (said) {
      await until(`the log says what ${name}`, 20000, () =>
        said.test(readFileSync(table.log, 'utf8')));
    }
    assert.equal(await table.stop(), 0);
  }
  // A machine that does other things, too, is slower at times; ten times is a table that waits.
  for (const [name, { median }] of Object.entries(seen)) {
    assert.ok(median < 10 * seen.none.median, `${name}: ${median} ms instead of ${seen.none.median}`);
  }
  await assertKept([lead, table], kept);
});
