// tags.mjs: EPCs of the program (tags.c) beside those of epc-tds, which shares no code with it:
// GID-96 made and read both ways, at the ends of each field and at random; numbers over a field
// refused by both; codes of GS1 named for what they are.
//
// Usage: TAGS=PROGRAM node --test tags.mjs [in the environment: SEED, CASES]
import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { test } from 'node:test';

import tds from 'epc-tds';

const MANAGER_MAX = 2 ** 28 - 1;
const CLASS_MAX = 2 ** 24 - 1;
const SERIAL_MAX = 2 ** 36 - 1;
const KIND = { ours: 2, otherEvent: 3, gs1: 5 };

const seed = Number(process.env.SEED ?? 1);
const cases = Number(process.env.CASES ?? 4000);
let state = seed >>> 0;
// mulberry32: small, public domain, the same numbers on every machine.
function random() {
  state = (state + 0x6d2b79f5) >>> 0;
  let mixed = Math.imul(state ^ (state >>> 15), state | 1);
  mixed = (mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61)) ^ mixed;
  return ((mixed ^ (mixed >>> 14)) >>> 0) / 2 ** 32;
}
// Of all sizes: few bits are as likely as many.
const below = (max) => Math.floor(random() * (Math.min(max, 2 ** Math.ceil(random() * 40)) + 1));
const digits = (count) => Array.from({ length: count }, () => Math.floor(random() * 10)).join('');

function ask(lines) {
  const run = spawnSync(process.env.TAGS, { input: `${lines.join('\n')}\n`, encoding: 'utf8',
    maxBuffer: 1 << 28, timeout: 60_000 });
  assert.equal(run.status, 0, run.stderr);
  const answers = run.stdout.trimEnd().split('\n');
  assert.equal(answers.length, lines.length);
  return answers;
}

const gid = ([manager, class_, serial]) =>
  new tds.Gid96().setManager(manager).setClass(class_).setSerial(serial).toHexString().toUpperCase();

function gidCases() {
  const ends = (max) => [0, 1, 2 ** 16, max - 1, max];
  const all = [];
  for (const manager of ends(MANAGER_MAX)) {
    for (const class_ of ends(CLASS_MAX)) {
      for (const serial of ends(SERIAL_MAX)) all.push([manager, class_, serial]);
    }
  }
  while (all.length < cases) all.push([below(MANAGER_MAX), below(CLASS_MAX), below(SERIAL_MAX)]);
  return all;
}

test('GID-96 is the same, made and read by either', () => {
  const all = gidCases();
  const scheme = ([manager, class_]) => `gid96:${manager}:${class_}`;
  const made = ask(all.map((one) => `make ${scheme(one)} ${one[2]}`));
  const read = ask(all.map((one) => `number ${scheme(one)} ${gid(one)}`));
  const seen = ask(all.map((one) => `sight ${scheme(one)} ${gid(one)}`));
  all.forEach((one, i) => {
    assert.equal(made[i].toUpperCase(), gid(one), `${one}, seed ${seed}`);
    assert.equal(read[i], String(one[2]));
    assert.equal(Number(seen[i].split(' ')[0]), KIND.ours, seen[i]);
    const back = tds.valueOf(made[i]);
    assert.deepEqual([back.getManager(), back.getClass(), back.getSerial()], one);
  });
});

test('a GID-96 of another manager or class carries no number of this event', () => {
  const all = gidCases().map(([manager, class_, serial], i) =>
    (i % 2 === 0 ? [[(manager + 1) % (MANAGER_MAX + 1), class_, serial], manager, class_]
      : [[manager, (class_ + 1) % (CLASS_MAX + 1), serial], manager, class_]));
  const read = ask(all.map(([one, m, c]) => `number gid96:${m}:${c} ${gid(one)}`));
  const seen = ask(all.map(([one, m, c]) => `sight gid96:${m}:${c} ${gid(one)}`));
  all.forEach(([one], i) => {
    assert.equal(read[i], 'none', `${one}`);
    // All bits zero behind the header are no blank tag: the header is written.
    assert.equal(seen[i], `${KIND.otherEvent} a chip of another event (GID-96), number ${one[2]}`);
  });
});

test('one over any field is refused by both', () => {
  const over = [[MANAGER_MAX + 1, 0, 0], [0, CLASS_MAX + 1, 0], [0, 0, SERIAL_MAX + 1]];
  const made = ask(over.map(([m, c, s]) => `make gid96:${m}:${c} ${s}`));
  over.forEach((one, i) => {
    assert.throws(() => gid(one), /out of range/);
    assert.equal(made[i], 'refused', `${one}`);
  });
});

// A tag URI of each kind, of a company prefix of `p` digits (6 to 12), and what the program calls it.
const kinds = {
  'SGTIN-96': (p) => `${digits(p)}.${digits(13 - p)}.${below(2 ** 38 - 1)}`,
  'SGTIN-198': (p) => `${digits(p)}.${digits(13 - p)}.${digits(1 + below(19))}`,
  'SSCC-96': (p) => `${digits(p)}.${digits(17 - p)}`,
  'SGLN-96': (p) => `${digits(p)}.${digits(12 - p)}.${below(2 ** 38 - 1)}`,
  'SGLN-195': (p) => `${digits(p)}.${digits(12 - p)}.${digits(1 + below(19))}`,
  'GRAI-96': (p) => `${digits(p)}.${digits(12 - p)}.${below(2 ** 38 - 1)}`,
  'GRAI-170': (p) => `${digits(p)}.${digits(12 - p)}.${digits(1 + below(15))}`,
  'GIAI-96': (p) => `${digits(p)}.${below(10 ** 6)}`,
  'GIAI-202': (p) => `${digits(p)}.${digits(1 + below(17))}`,
  'GSRN-96': (p) => `${digits(p)}.${digits(17 - p)}`,
  'GDTI-96': (p) => `${digits(p)}.${digits(12 - p)}.${below(2 ** 38 - 1)}`,
  'GDTI-174': (p) => `${digits(p)}.${digits(12 - p)}.${digits(1 + below(16))}`,
  'CPI-96': (p) => `${digits(p)}.${below(10 ** 3 - 1)}.${below(2 ** 31 - 1)}`,
  'SGCN-96': (p) => `${digits(p)}.${digits(12 - p)}.${1 + below(10 ** 10)}`,
};

test('codes of GS1 are named for what they are', () => {
  const all = [];
  for (const [name, rest] of Object.entries(kinds)) {
    for (let i = 0; i < 200; i++) {
      const prefix = 6 + (i % 6);
      const uri = `urn:epc:tag:${name.toLowerCase()}:${i % 8}.${rest(prefix)}`;
      const code = tds.fromTagURI(uri);
      assert.equal(code.getType(), name, uri);
      const hex = code.toHexString();
      all.push({ name, uri, hex: hex + '0'.repeat((4 - (hex.length % 4)) % 4) });
    }
  }
  for (const scheme of ['gid96:31415:271828', 'own:439041101']) {
    const seen = ask(all.map(({ hex }) => `sight ${scheme} ${hex}`));
    all.forEach(({ name, uri, hex }, i) => {
      assert.match(seen[i], new RegExp(`^${KIND.gs1} .*\\(GS1 ${name}\\)$`), `${uri} is ${hex}`);
    });
  }
});
