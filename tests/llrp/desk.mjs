// desk.mjs: a table at work with an LLRP reader: a real node, its desk, the llrp encoder that it starts,
// and the simulated reader with chips that come and go.
import test from 'node:test';
import assert from 'node:assert/strict';
import { writeFileSync } from 'node:fs';
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

// A table at an LLRP reader, ready for work, in an event with `extra`.
async function atReader(t, extra = []) {
  const reader = new Reader();
  await reader.listen();
  atEnd(t, () => reader.close());
  const table = await oneTable(t, { extra });
  await table.station.start({ words: ['--gone', '300',
    ...withEncoders(`llrp:127.0.0.1:${reader.port}`).words] });
  await table.until('the encoder is ready', ({ encoder }) => encoder);
  return { reader, table };
}

test('what the empty antenna hears before a shift: said, and never written', async (t) => {
  const { reader, table } = await atReader(t);
  const quiet = await table.input({ command: 'check-empty' });
  assert.match(quiet.aside, /hears nothing: good/);
  const pile = [new Tag({ epc: epcOf(300), tid: tidOf(300) }),
    new Tag({ epc: '3074257BF7194E4000001A85', tid: tidOf(301) }), // GS1 TDS, E.3
    new Tag({ epc: BLANK, tid: tidOf(302) })];
  reader.place(...pile);
  await table.until('all three are heard', ({ heard }) => heard === 3);
  const heard = await table.input({ command: 'check-empty' });
  assert.match(heard.aside, /hears 3: .*Move the finished pile away/);
  assert.match(heard.aside, /300/);
  assert.equal(heard.sound, 'refused');
  // They lie there still, and the next bib's chip is told from them.
  await table.scan(7);
  await deal(table, reader, [7]);
  assert.deepEqual(pile.map(({ epc }) => epc.toUpperCase()),
    [epcOf(300), '3074257BF7194E4000001A85', BLANK]);
  reader.take(...pile);
  await table.until('they are gone', ({ heard: count }) => count === 0);
  assert.match((await table.input({ command: 'check-empty' })).aside, /hears nothing: good/);
});

test('a roll and the table\'s numbers change in the middle of a stack: no place is lost', async (t) => {
  const { reader, table } = await atReader(t);
  const falling = [30, 29, 28, 27, 26, 25];
  await table.input({ command: 'roll', text: 'R 1' });
  await table.input({ command: 'series', first: 30, last: 25, step: 1, check_every: 100 });
  await table.scan(30);
  await deal(table, reader, falling.slice(0, 2));
  await table.input({ command: 'roll', text: 'R 2' });
  await table.until('roll R 2 is loaded', ({ roll, next }) => roll === 'R 2' && next === 28);
  await deal(table, reader, [28]);
  await table.station.must(['allot', 'Lead', '1-1000,2001-2100']);
  await deal(table, reader, [27]);
  // Power goes: the place is asked for, and the roll is the one that was loaded.
  await table.station.kill();
  await table.station.start({ words: ['--gone', '300',
    ...withEncoders(`llrp:127.0.0.1:${reader.port}`).words] });
  await table.until('the place is asked for', ({ say, encoder }) =>
    encoder && /Scan the bib in hand: it must be bib 26/.test(say));
  await table.scan(26);
  await deal(table, reader, [26]);
  await table.until('the last is asked for', ({ say }) => /Scan.* 25/.test(say));
  await table.scan(25);
  await deal(table, reader, [25]);
  const { rolls } = await table.station.json(['roll']);
  assert.deepEqual(rolls.map(({ roll, used, tables: [{ loaded }] }) => [roll, used, loaded]),
    [['R 1', 2, false], ['R 2', 4, true]]);
  assert.deepEqual(reader.faults, []);
});

test('pairs: two chips of one number, one of them torn and replaced alone, one set half', async (t) => {
  const { reader, table } = await atReader(t, ['--tags-per-bib', '2']);
  const put = async (what, tag, probe) => {
    reader.place(tag);
    await table.until(what, probe);
    reader.take(tag);
    await table.until('it is taken away', ({ heard }) => heard === 0);
    return tag;
  };
  let serial = 0;
  const blank = () => new Tag({ epc: BLANK, tid: tidOf(serial += 1) });
  await table.scan(42);
  const good = await put('one of two', blank(), ({ chips_made: made }) => made === 1);
  const torn = await put('the bib is done', blank(), ({ latest }) => latest[0]?.bib === '42');
  const tids = async (bib) => (await table.live(bib)).flatMap(({ tags }) => tags)
    .map(({ epc, tid }) => [epc, tid]).sort();
  const named = (bib, ...tags) => tags.map(({ tid }) => [epcOf(bib), tid.toUpperCase()]).sort();
  assert.equal((await table.live(42)).length, 1, 'one issue for the set');
  assert.deepEqual(await tids(42), named(42, good, torn));

  // A chip of the set tears: the good one is read, and one new one made.
  await table.scan(42);
  await table.answer('one');
  await table.answer('destroyed');
  await put('the good one was read', good, ({ chips_made: made }) => made === 1);
  const fresh = await put('the set is whole', blank(), ({ tone }) => tone === 'done');
  assert.deepEqual(await tids(42), named(42, good, fresh));
  assert.equal((await table.live(42))[0].half, false);
  const dead = (await table.station.json(['ask', '42'])).issues.find(({ live }) => !live);
  assert.equal(dead.ended.chip, 'destroyed');

  // The roll ends behind the first chip of bib 43.
  await table.scan(43);
  await put('one of two', blank(), ({ chips_made: made }) => made === 1);
  await table.input({ command: 'stop' });
  await table.until('it is put down as half', ({ latest }) => latest[0]?.bib === '43' && latest[0].half);
  await table.scan(43);
  await table.answer('finish');
  await put('the rest is made', blank(), ({ tone, latest }) =>
    tone === 'done' && latest[0]?.bib === '43');
  const live = await table.live(43);
  assert.equal(live.flatMap(({ tags }) => tags).length, 2);
  assert.equal((await table.station.status()).shared, 0);
  await table.station.must(['verify', '--every']);
});

test('look: what lies there is named, and a bib\'s own chip makes it seen', async (t) => {
  const { reader, table } = await atReader(t);
  const own = new Tag({ epc: epcOf(50), tid: tidOf(50) });
  const file = `${table.station.dir}.csv`;
  writeFileSync(file, `bib,epc,tid\n50,${epcOf(50)},${tidOf(50)}\n`);
  await table.station.must(['issue', '--from', file]);
  await table.input({ command: 'look' });
  const sight = async (tag, words) => {
    reader.place(tag);
    await table.until(String(words), ({ say }) => words.test(say));
    reader.take(tag);
    await table.until('it is gone', ({ heard }) => heard === 0);
  };
  await sight(new Tag({ epc: '3074257BF7194E4000001A85', tid: tidOf(1) }), /a shop's tag/);
  await sight(new Tag({ epc: `00001268${epcOf(42).slice(8)}`, tid: tidOf(2) }),
    /another event \(own\), number 42/);
  await sight(new Tag({ epc: BLANK, tid: tidOf(3) }), /blank/);
  await sight(own, /Bib 50: .*not seen yet: scan its bib/);
  assert.equal((await table.station.status()).unseen, 1);
  await table.scan(50);
  reader.place(own);
  await until('its chip was seen', 20000, async () => (await table.station.status()).unseen === 0);
});
