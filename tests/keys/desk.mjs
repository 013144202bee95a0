// desk.mjs: from a scanner's keys to the desk of a running node: by an encoder, by a page, and at
// the terminal, one number is the same number.
import { spawn } from 'node:child_process';
import { join } from 'node:path';
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { atEnd, makeEvent, program, scratch, until } from '../field.mjs';
import { Fifo } from './typist.mjs';

// A lead whose table has bibs 1 to 1000, `keys` on a FIFO, and an encoder with an antenna on which
// nothing ever lies: a number that was taken stays in turn.
const NOTHING = 'program:read -r start; ' +
  'echo \'{"say":"ready","protocol":1,"name":"an empty antenna","can":["write"]}\'; ' +
  'while sleep 0.2; do echo \'{"say":"field","tags":[]}\'; done';

async function openTable(t) {
  const folder = scratch(t);
  const [lead] = await makeEvent(folder, [{ listen: '127.0.0.1:0' }]);
  const fifo = new Fifo(folder, 'scanner');
  atEnd(t, async () => {
    if (lead.alive) await lead.kill();
  });
  await lead.start({ words: ['--encoder', NOTHING, '--encoder', `keys:${fifo.path}`] });
  const view = () => lead.json(['desk', '--view']);
  await until('the antenna is there', 20000, async () => (await view()).encoder);
  return { lead, fifo, view };
}

// Waits until the desk has taken, or refused, what was scanned.
const seen = (view, what, probe) => until(what, 20000, async () => {
  const now = await view();
  if (probe(now)) return now;
  throw new Error(JSON.stringify(now));
});

test('a scanner: the number is in turn, and what is no number says so', { timeout: 120000 },
  async (t) => {
    const { fifo, view } = await openTable(t);
    // The scanner is opened some time after the node is ready.
    fifo.type(']C000042\r');
    await seen(view, 'bib 42', ({ bib }) => bib === '42');
    fifo.type('+LEAVE\r');
    await seen(view, 'no question', ({ aside }) => /answers no question/.test(aside));
    fifo.type('4\x003\r');
    const after = await seen(view, 'refused', ({ aside }) => !/answers no question/.test(aside));
    assert.notEqual(after.aside, '');
    assert.equal(after.bib, '42');
  });

test('a page hands on what was scanned into it', { timeout: 120000 }, async (t) => {
  const { lead, view } = await openTable(t);
  const before = await view();
  await lead.must(['desk', '--input', JSON.stringify({ text: '\r\n', scanned: true })]);
  assert.equal((await view()).version, before.version);
  const after = await lead.json(['desk', '--input',
    JSON.stringify({ text: ']A000043\t', scanned: false })]);
  assert.equal(after.bib, '43');
});

test('at the terminal, with keys that take back', { timeout: 120000 }, async (t) => {
  const { lead, view } = await openTable(t);
  // `script` (util-linux) gives the command a terminal.
  const child = spawn('script',
    ['-qec', `'${program}' --dir '${lead.dir}' desk`, join(lead.dir, '../typescript')],
    { stdio: ['pipe', 'pipe', 'ignore'], env: { ...process.env, TERM: 'dumb' } });
  const ended = new Promise((done) => child.once('exit', done));
  atEnd(t, async () => {
    child.kill('SIGKILL');
    await ended;
  });
  let screen = '';
  child.stdout.setEncoding('utf8').on('data', (text) => (screen += text));
  await until('the screen', 20000, () => /F7 stop/.test(screen));
  // One key at a time, as a hand does; the pause is longer than inside any scan.
  for (const key of ['4', '4', '\x7F', '5', '\r']) {
    child.stdin.write(key);
    await new Promise((done) => setTimeout(done, 150));
  }
  await seen(view, 'bib 45', ({ bib }) => bib === '45');
  child.stdin.write('\x04');
  assert.equal(await ended, 0);
});
