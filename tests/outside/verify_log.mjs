// verify_log.mjs: audits a file of records without any code of the program: a CBOR sequence
// (RFC 8742) as `bibweave carry out FILE` writes it.
//
// cbor2 decodes, and takes deterministic encoding only; common/record.cddl says the shapes; @auth0/cose
// verifies the signatures; @noble/hashes gives BLAKE2b. A record must stand behind the one that it
// names as previous, and no record may stand there twice.
//
// Usage: node verify_log.mjs FILE [RECORD.CDDL]
import { createPublicKey } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';

import { Sign1 } from '@auth0/cose';
import { blake2b } from '@noble/hashes/blake2.js';
import { cdeDecodeOptions, decode, decodeSequence, getEncoded } from 'cbor2';

import { Cddl } from './cddl.mjs';

const RECORD_SIZE_MAX = 16384;

// Integers as BigInt, so that a float never passes for one. The cde options refuse indefinite
// lengths, heads longer than needed, and keys out of order or twice. rejectLongFloats stays off: it
// wants whole numbers never to be floats, which RFC 8949 does not ask.
const strict = {
  ...cdeDecodeOptions,
  preferBigInt: true,
  preferMap: true,
  saveOriginal: true,
  ignoreGlobalTags: true,
  rejectLongLoundNaN: true,
  rejectSimple: true,
};

export const decodeStrictly = (bytes) => decode(bytes, strict);
export const hash = (size, ...parts) => blake2b(Buffer.concat(parts), { dkLen: size });
export const hex = (bytes) => Buffer.from(bytes).toString('hex');

// The records of a file in order, as {place, raw, payload (a Map)}. Throws at the first that is
// not in its one byte form, too large, or not of the shape that the CDDL gives.
export function readRecords(bytes, cddl) {
  const kinds = cddl.numbers('kind');
  const records = [];
  const items = decodeSequence(bytes, strict);
  for (let place = 1; ; place++) {
    try {
      const { value: item, done } = items.next();
      if (done) return records;
      cddl.check('record', item);
      const raw = getEncoded(item);
      if (raw.length > RECORD_SIZE_MAX) throw new Error(`it has ${raw.length} bytes`);
      const payload = decodeStrictly(item.contents[2]);
      const shape = kinds.get(payload.get(6n));
      if (shape !== undefined) cddl.check(shape, payload.get(7n));
      if (payload.has(3n) === (payload.get(2n) === 1n)) {
        throw new Error('number 1 has no previous record, and every other has one');
      }
      records.push({ place, raw, payload, shape: shape ?? 'unknown' });
    } catch (error) {
      throw new Error(`record ${place}: ${error.message}`);
    }
  }
}

// Adds id, log and number to each record and checks that each log is one chain from its `open`.
// Returns a Map from log id (hex) to {key, records}.
function chain(records) {
  const logs = new Map();
  const byId = new Map();
  for (const record of records) {
    const { place, payload, raw } = record;
    const log = hex(payload.get(1n));
    record.id = hex(hash(32, raw));
    record.number = payload.get(2n);
    if (byId.has(record.id)) throw new Error(`record ${place}: it stands there twice`);
    if (record.number === 1n) {
      openLog(logs, log, record);
    } else {
      const previous = byId.get(hex(payload.get(3n)));
      if (!previous || previous.log !== log || previous.number !== record.number - 1n) {
        throw new Error(`record ${place}: it does not follow the record that it names`);
      }
    }
    record.log = log;
    byId.set(record.id, record);
    logs.get(log).records.push(record);
  }
  return logs;
}

function openLog(logs, log, { place, payload, shape }) {
  const body = payload.get(7n);
  if (shape !== 'open') throw new Error(`record ${place}: a log begins without open`);
  if (hex(hash(16, body.get(1n), body.get(2n))) !== log) {
    throw new Error(`record ${place}: its log id is not that of its key and incarnation`);
  }
  if (!logs.has(log)) logs.set(log, { key: body.get(1n), records: [] });
}

async function verifies(record, key, eventId) {
  const x = Buffer.from(key).toString('base64url');
  const publicKey = createPublicKey({ key: { kty: 'OKP', crv: 'Ed25519', x }, format: 'jwk' });
  try {
    await Sign1.decode(record.raw).verify(publicKey, { externalAAD: eventId });
    return true;
  } catch {
    return false;
  }
}

// The event is that of the one `found` which is number 2 of its log and verifies under the event id
// that it gives itself.
async function findEvent(logs) {
  const events = [];
  for (const { key, records } of logs.values()) {
    for (const record of records.filter((r) => r.shape === 'found' && r.number === 2n)) {
      const eventId = hash(32, key, getEncoded(record.payload.get(7n)));
      if (await verifies(record, key, eventId)) events.push({ eventId, key, record });
    }
  }
  if (events.length !== 1) throw new Error(`${events.length} records that found an event`);
  return events[0];
}

// A library that ignored external_aad would verify records of any event. That it does not is
// shown on this very file, not taken from its manual.
async function provesTheEventCounts({ eventId, key, record }) {
  const other = Uint8Array.from(eventId);
  other[0] ^= 1;
  if (await verifies(record, key, other) || await verifies(record, key, new Uint8Array())) {
    throw new Error('the COSE library does not heed external_aad');
  }
}

// Throws an Error that names the first record that fails. Returns what was found.
export async function verifyLog(bytes, cddlText) {
  const cddl = new Cddl(cddlText, decodeStrictly);
  const records = readRecords(bytes, cddl);
  const logs = chain(records);
  const event = await findEvent(logs);
  await provesTheEventCounts(event);
  for (const record of records) {
    if (!await verifies(record, logs.get(record.log).key, event.eventId)) {
      throw new Error(`record ${record.place}: its signature does not verify`);
    }
  }
  return { records, logs, eventId: event.eventId };
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  const [file, cddl = fileURLToPath(new URL('../../common/record.cddl', import.meta.url))] =
    process.argv.slice(2);
  try {
    const { records, logs } = await verifyLog(readFileSync(file), readFileSync(cddl, 'utf8'));
    console.log(`${records.length} records of ${logs.size} logs verified`);
  } catch (error) {
    console.error(error.message);
    process.exitCode = 1;
  }
}
