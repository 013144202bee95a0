// desk.mjs: a table at work with an LLRP reader: a real node, its desk, the llrp encoder that it starts,
// and the simulated reader with chips that come and go.
import test from 'node:test';
import assert from 'node:assert/strict';
import { atEnd, epcOf, sleep, stack, until } from '../field.mjs';
import { oneTable, withEncoders } from '../encoder/table.mjs';
import { Reader } from './reader.mjs';
import { Tag } from './tag.mjs';

const BLANK = 'E2004216CB60601500951ED6'; // as they come from a roll: all the same
const tidOf = (i) => `E2801105200000001234${(0x5000 + i).toString(16)}`;

// Puts one chip after another on the antenna: the next when the one before carries a number that the
// table knows as issued. `prepare` may give a chip a fault.
async function deal(table, reader, bibs, prepare) {
  for (const [i, bib] of bibs.entries()) {
    const tag = new Tag({ epc: BLANK, tid: tidOf(bib) });
    prepare?.(tag, i);
    reader.place(tag);
    await until(`bib ${bib} is recorded`, 20000, async () => (await table.live(bib)).length === 1);
    assert.equal(tag.epc.toUpperCase(), epcOf(bib), 'what is recorded is on the chip');
    const [live] = await table.live(bib);
    assert.deepEqual(live.tags.map(({ epc, tid }) => [epc, tid]), [[epcOf(bib), tidOf(bib).toUpperCase()]]);
    reader.take(tag);
  }
}

test('a stack is chipped, with a chip that needs a second try and a reader that restarts', async (t) => {
  const reader = new Reader();
  await reader.listen();
  atEnd(t, () => reader.close());
  const table = await oneTable(t);
  await table.station.start(withEncoders(`llrp:127.0.0.1:${reader.port}`));
  await table.until('the encoder is ready', ({ encoder }) => encoder);
  await table.input({ command: 'series', first: 11, last: 16, step: 1, check_every: 100 });
  await table.until('the first is asked for', ({ say }) => /Scan/.test(say));
  await table.scan(11);
  await deal(table, reader, stack(11, 3), (tag, i) => {
    if (i === 1) tag.fault = { after: 3, result: 'low_power' };
  });
  const attempts = reader.attempts;
  reader.reset(); // with no chip on it
  await until('the reader was dialled again', 20000, () => reader.attempts > attempts);
  await deal(table, reader, stack(14, 2));
  await table.until('the last is asked for', ({ say }) => /Scan.* 16/.test(say), 20000);
  await table.scan(16);
  await deal(table, reader, [16]);
  assert.deepEqual(reader.faults, []);
  assert.equal(await table.station.stop(), 0);
  await until('the reader is told to stop', 5000, () => reader.access.size + reader.rospecs.size === 0);
  await table.station.must(['verify', '--every']);
});

test('a reader that is not there: the table says so and goes on when it comes', async (t) => {
  const reader = new Reader();
  const port = await reader.listen();
  await reader.close();
  const table = await oneTable(t);
  await table.station.start(withEncoders(`llrp:127.0.0.1:${port}`));
  await sleep(1500);
  assert.equal((await table.view()).encoder, false);
  await reader.listen(port);
  atEnd(t, () => reader.close());
  await table.until('the encoder is ready', ({ encoder }) => encoder);
  await table.scan(7);
  await deal(table, reader, [7]);
});
