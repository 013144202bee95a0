// self_test.mjs: proves that verify_log.mjs can fail. A good file is broken in many ways, each of
// which must be refused, and for its own reason.
//
// Usage: node --test self_test.mjs, with LOG (a file of make_log) and CDDL in the environment.
import assert from 'node:assert/strict';
import { createPrivateKey, sign } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';

import { Tag, cdeEncodeOptions, encode } from 'cbor2';

import { Cddl } from './cddl.mjs';
import { decodeStrictly, hash, hex, verifyLog } from './verify_log.mjs';

const file = readFileSync(process.env.LOG);
const cddlText = readFileSync(process.env.CDDL, 'utf8');
const good = await verifyLog(file, cddlText);
const raws = good.records.map((record) => new Uint8Array(record.raw));

const verify = (parts) => verifyLog(Buffer.concat(parts), cddlText);
const refused = (parts, why) => assert.rejects(verify(parts), why);
const encoded = (value) => encode(value, cdeEncodeOptions);
// cbor2 takes only a plain Uint8Array for a byte string.
const bytesOf = (text) => new Uint8Array(Buffer.from(text, 'hex'));

// Where the last record of the last log stands: what is put in its place breaks no other.
const last = good.records.length - 1;
const TABLE_SEED = 3;

function signed(payload, { seed = TABLE_SEED, eventId = good.eventId,
  protectedHeader = bytesOf('a10127'), unprotectedHeader = new Map() } = {}) {
  const der = Buffer.concat(
    [Buffer.from('302e020100300506032b657004220420', 'hex'), Buffer.alloc(32, seed)]);
  const key = createPrivateKey({ key: der, format: 'der', type: 'pkcs8' });
  const message = encoded(['Signature1', protectedHeader, eventId, payload]);
  const signature = new Uint8Array(sign(null, message, key));
  return encoded(new Tag(18, [protectedHeader, unprotectedHeader, payload, signature]));
}

// The payload of the record at `place`, changed by `change`, which gets the Map and the body.
function payloadWith(place, change) {
  const payload = decodeStrictly(decodeStrictly(raws[place]).contents[2]);
  const body = payload.get(7n);
  change(payload, body);
  return encoded(fresh(payload));
}

// The same value without the bytes that it was decoded from, which cbor2 would write again.
function fresh(value) {
  if (value instanceof Map) return new Map([...value].map(([key, item]) => [key, fresh(item)]));
  if (value instanceof Uint8Array) return new Uint8Array(value);
  return Array.isArray(value) ? value.map(fresh) : value;
}

const instead = (raw) => [...raws.slice(0, last), raw];
const resigned = (change, options) => instead(signed(payloadWith(last, change), options));

// A record behind the last one, of a kind and body as given.
function further(kind, body, change = () => {}) {
  return signed(payloadWith(last, (payload) => {
    payload.set(2n, payload.get(2n) + 1n);
    payload.set(3n, hash(32, raws[last]));
    payload.set(6n, kind);
    payload.set(7n, body);
    change(payload);
  }));
}

function bodyOf(shape) {
  const record = good.records.findLast((candidate) => candidate.shape === shape);
  return new Map(record.payload.get(7n));
}

const KINDS = { open: 1n, found: 2n, admit: 3n, retire: 4n, allot: 5n, issue: 6n, void: 7n,
  close: 8n, ticket: 9n, cancel: 10n, hold: 11n, look: 12n, roll: 13n, note: 14n, handover: 15n };

test('the good file holds each kind, an unknown one, and unknown keys', () => {
  const shapes = new Set(good.records.map((record) => record.shape));
  assert.deepEqual([...shapes].sort(), [...Object.keys(KINDS), 'unknown'].sort());
  assert.ok(good.records.some(({ payload }) => payload.has(-1n) && payload.get(7n).has('later')));
  assert.equal(good.logs.size, 4);
});

test('signing anew without a change is accepted', async () => {
  const { records } = await verify(resigned(() => {}));
  assert.equal(records.length, raws.length);
  for (const [shape, kind] of Object.entries(KINDS)) {
    await verify([...raws, further(kind, bodyOf(shape))]);
  }
});

test('a flipped bit in any byte', async () => {
  const few = raws.slice(0, 12);
  await verify(few);
  for (const place of [0, 1, 9, 11]) {
    for (let at = 0; at < few[place].length; at++) {
      const broken = Buffer.from(few[place]);
      broken[at] ^= 1 << at % 8;
      await refused([...few.slice(0, place), broken, ...few.slice(place + 1)], /./);
    }
  }
});

test('records in another order, missing or twice', async () => {
  const swapped = [...raws];
  [swapped[last - 1], swapped[last - 3]] = [swapped[last - 3], swapped[last - 1]];
  await refused(swapped, /does not follow/);
  await refused([...raws.slice(0, 60), ...raws.slice(61)], /does not follow/);
  await refused(raws.slice(1), /does not follow/);
  await refused([...raws, raws[last]], /twice/);
  await refused(raws.filter((_, i) => good.records[i].shape !== 'found'), /does not follow/);
  await refused([raws[0]], /0 records that found an event/);
});

test('a file that is cut or goes on', async () => {
  await refused([file.subarray(0, file.length - 1)], new RegExp(`record ${last + 1}: `));
  await refused([file, Buffer.from([0xd2])], new RegExp(`record ${last + 2}: `));
  await refused([file, Buffer.from([0x00])], /is not tag 18/);
});

test('bodies of another shape, well signed', async () => {
  const cases = [
    ['issue', (body) => body.set(3n, 9n), /issue\.3/],
    ['issue', (body) => body.set(3n, 1.5), /issue\.3/],
    ['issue', (body) => body.set(1n, 'a7'), /issue\.1/],
    ['issue', (body) => body.set(1n, '1234567890123'), /issue\.1/],
    ['issue', (body) => body.set(1n, 7n), /issue\.1/],
    ['issue', (body) => body.delete(1n), /with key 1/],
    ['issue', (body) => body.set(2n, []), /issue\.2/],
    ['issue', (body) => body.get(2n)[0].set(1n, 'text'), /issue\.2\[0\]\.1/],
    ['issue', (body) => body.get(2n)[0].set(1n, new Uint8Array(63)), /issue\.2\[0\]\.1/],
    ['issue', (body) => body.set(4n, []), /issue\.4/],
    ['issue', (body) => body.set(4n, [new Uint8Array(31)]), /issue\.4/],
    ['issue', (body) => body.set(4n, Array(17).fill(new Uint8Array(32))), /issue\.4/],
    ['issue', (body) => body.set(6n, false), /issue\.6/],
    ['issue', (body) => body.set(7n, '\u00fc'.repeat(101)), /issue\.7/],
    ['issue', (body) => body.set(8n, 4n), /issue\.8/],
    ['open', (body) => body.set(1n, new Uint8Array(31)), /open\.1/],
    ['open', (body) => body.set(3n, [1n]), /open\.3/],
    ['found', (body) => body.set(3n, []), /found\.3/],
    ['found', (body) => body.set(6n, 0n), /found\.6/],
    ['found', (body) => body.get(5n)[0].set(2n, [4n]), /found\.5\[0\]\.2/],
    ['found', (body) => body.get(5n)[0].set(3n, 5n), /found\.5\[0\]\.3/],
    ['admit', (body) => body.set(4n, 4n), /admit\.4/],
    ['admit', (body) => body.set(5n, Array(9).fill('x')), /admit\.5/],
    ['retire', (body) => body.set(2n, 3n), /retire\.2/],
    ['admit', (body) => body.set(6n, new Uint8Array(7)), /admit\.6/],
    ['ticket', (body) => body.set(1n, []), /ticket\.1/],
    ['ticket', (body) => body.get(1n)[0].set(4n, 3n), /ticket\.1\[0\]\.4/],
    ['ticket', (body) => body.get(1n)[1].set(2n, new Uint8Array(31)), /ticket\.1\[1\]\.2/],
    ['cancel', (body) => body.set(1n, [new Uint8Array(9)]), /cancel\.1/],
    ['allot', (body) => body.set(2n, [[1n, 2n, 3n]]), /allot\.2/],
    ['void', (body) => body.set(1n, []), /void\.1/],
    ['void', (body) => body.delete(3n), /with key 3/],
    ['close', (body) => body.set(1n, 0n), /close\.1/],
    ['close', (body) => body.set(1n, 281474976710656n), /close\.1/],
    ['hold', (body) => body.set(2n, 5n), /hold\.2/],
    ['hold', (body) => body.delete(3n), /with key 3/],
    ['look', (body) => body.set(2n, Array(5).fill(new Map([[1n, new Uint8Array(2)], [4n, true]]))),
      /look\.2/],
    ['look', (body) => body.set(3n, 7n), /look\.3/],
    ['look', (body) => body.set(4n, [1n]), /look\.4/],
    ['roll', (body) => body.set(1n, ''), /roll\.1/],
    ['roll', (body) => body.set(3n, false), /roll\.3/],
    ['roll', (body) => body.set(4n, 281474976710656n), /roll\.4/],
    ['note', (body) => body.set(1n, ''), /note\.1/],
    ['note', (body) => body.set(3n, new Uint8Array(31)), /note\.3/],
    ['handover', (body) => body.set(1n, 0n), /handover\.1/],
    ['handover', (body) => body.set(3n, new Uint8Array(16)), /handover\.3/],
  ];
  for (const [shape, change, why] of cases) {
    const body = structuredClone(bodyOf(shape));
    change(body);
    await refused([...raws, further(KINDS[shape], body)], why);
  }
});

test('payloads of another shape, well signed', async () => {
  const cases = [
    [(payload) => payload.set(2n, 0n), /\.2/],
    [(payload) => payload.delete(3n), /number 1 has no previous/],
    [(payload) => payload.set(2n, 1n), /number 1 has no previous/],
    [(payload) => payload.set(4n, []), /\.4/],
    [(payload) => payload.set(5n, -1n), /\.5/],
    [(payload) => payload.set(6n, 'close'), /\.6/],
    [(payload) => payload.set(7n, []), /\.7/],
    [(payload) => payload.set(8n, ''), /\.8/],
    [(payload) => payload.set(8n, 'ABCDEFGHI'), /\.8/],
    [(payload) => payload.set(9n, new Uint8Array(16384)), /bytes/],
    [(payload) => payload.set(3n, new Uint8Array(32)), /does not follow/],
    [(payload) => payload.set(2n, payload.get(2n) + 1n), /does not follow/],
    [(payload) => payload.set(1n, good.records[0].payload.get(1n)), /does not follow/],
  ];
  for (const [change, why] of cases) await refused(resigned(change), why);
});

test('signatures of another key, event or header', async () => {
  await refused(resigned(() => {}, { seed: 2 }), /does not verify/);
  const other = Uint8Array.from(good.eventId, (byte, i) => (i === 31 ? byte ^ 1 : byte));
  await refused(resigned(() => {}, { eventId: other }), /does not verify/);
  await refused(resigned(() => {}, { eventId: new Uint8Array() }), /does not verify/);
  await refused(resigned(() => {}, { unprotectedHeader: new Map([[4, bytesOf('3131')]]) }),
    /record\[unprotected\]/);
  await refused(resigned(() => {}, { protectedHeader: bytesOf('a201270300') }),
    /record\[protected\]/);
  await refused(resigned(() => {}, { protectedHeader: bytesOf('') }), /record\[protected\]/);
});

test('a log id that is not that of its key', async () => {
  const place = good.records.findLastIndex((record) => record.shape === 'open');
  const payload = payloadWith(place, (_, body) => body.set(2n, new Uint8Array(16)));
  await refused([...raws.slice(0, place), signed(payload)], /log id/);
});

test('another byte form of a payload, well signed', async () => {
  const text = hex(decodeStrictly(raws[last]).contents[2]);
  const kind = '060807a101';
  const oneMore = (parseInt(text.slice(0, 2), 16) + 1).toString(16);
  assert.ok(text.includes(kind), 'the last record is a close');
  const forms = [
    [text.replace('060807', '18060807'), /long integer/],
    [text.replace('060807', '06180807'), /long integer/],
    [text.replace(kind, '060807b80101'), /long integer/],
    [`bf${text.slice(2)}ff`, /Streaming|not supported/i],
    [text.replace(kind, '060807bf01') + 'ff', /Streaming|not supported/i],
    [text.replace(/0608(07a1.*)$/, '$10608'), /order/],
    [`${oneMore}${text.slice(2)}0602`, /order/],
    [text.replace(kind, `0608${kind}`).replace(/^../, oneMore), /order/],
    [`${text}00`, /Extra data/],
  ];
  for (const [form, why] of forms) {
    assert.notEqual(form, text);
    await refused(instead(signed(bytesOf(form))), why);
  }
});

test('CDDL that the reader does not handle is not loaded', () => {
  for (const text of ['a = b', 'a = uint .le 5', 'a = [* uint, text]', 'a = ~b', 'a = 1\na = 2',
    'a = {1 => }', 'a = "open', 'a = 1..text', 'a = &(uint)']) {
    assert.throws(() => new Cddl(text, decodeStrictly), /CDDL/, text);
  }
});
