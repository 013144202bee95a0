// hostile.mjs: what another program of this machine may send to the pages' port: requests that are
// odd, broken, too big or too many, pages that never read, and a node that is ended in the middle.
// The node must neither end, nor grow without bound, nor do what no page of its own asked for.
//
// What HTTP says of each oddity is in RFC 9112 (message syntax) and RFC 9110, 7.2 (Host). Needs no
// browser.
import { readFileSync } from 'node:fs';
import { connect } from 'node:net';
import test from 'node:test';
import assert from 'node:assert/strict';
import { atEnd, sleep, until } from '../field.mjs';
import { ask, openFloor, start } from './browser.mjs';

// With AddressSanitizer, memory that was given back is not held for long, so that it can be told
// from memory that was not.
process.env.ASAN_OPTIONS = `${process.env.ASAN_OPTIONS ?? ''}:quarantine_size_mb=1`;

const verb = (text) => JSON.stringify({ verb: 'note', arguments: [text] });
const statuses = (text) => [...text.matchAll(/^HTTP\/1\.1 (\d+)/gm)].map(([, status]) => Number(status));
// Resident memory in KiB, as proc(5) has it.
const memory = (pid) => Number(/^VmRSS:\s+(\d+)/m.exec(readFileSync(`/proc/${pid}/status`, 'utf8'))[1]);

// Sends bytes as they are and gives everything that came until the other end closed or was silent.
function wire(t, port, bytes, { silent_ms = 500 } = {}) {
  return new Promise((done) => {
    const socket = connect(Number(port), '127.0.0.1');
    let text = '';
    const end = () => { socket.destroy(); done(text); };
    socket.setEncoding('latin1').setTimeout(silent_ms, end);
    socket.on('data', (part) => (text += part)).on('error', end).on('close', end);
    socket.end(bytes); // what is to come is all there
  });
}

test('requests that no browser sends', { timeout: 120000 }, async (t) => {
  const [lead] = await openFloor(t, { tables: 0 });
  const { port } = lead;
  const host = `Host: 127.0.0.1:${port}\r\n`;
  const origin = `Origin: http://127.0.0.1:${port}\r\n`;
  const json = 'Content-Type: application/json\r\n';
  const post = (body, more = '') => 'POST /verb HTTP/1.1\r\n' + host + origin + json + more
    + `Content-Length: ${Buffer.byteLength(body)}\r\n\r\n${body}`;
  const chunked = (...parts) => 'POST /verb HTTP/1.1\r\n' + host + origin + json
    + 'Transfer-Encoding: chunked\r\n\r\n'
    + parts.map((part) => `${part.length.toString(16)}\r\n${part}\r\n`).join('') + '0\r\n\r\n';
  const records = async () => (await lead.status()).records;
  const nothing = async (what, bytes, allowed) => {
    await t.test(what, async () => {
      const was = await records();
      const got = statuses(await wire(t, port, bytes));
      for (const status of got) assert.ok(allowed.includes(status), `${status} for ${what}`);
      assert.equal(await records(), was, 'nothing was recorded');
    });
  };
  await nothing('no Host', `GET / HTTP/1.1\r\n\r\n`, [400, 421]);
  await nothing('HTTP/1.0 without Host', 'GET / HTTP/1.0\r\n\r\n', [400, 421]);
  await nothing('another Host before ours', `GET / HTTP/1.1\r\nHost: evil.example\r\n${host}\r\n`, [400, 421]);
  await nothing('the whole address of another place', `GET http://evil.example/ HTTP/1.1\r\n${host}\r\n`,
    [400, 404, 421]);
  await nothing('an Origin of two places', post(verb('x'), '').replace(origin,
    `Origin: http://evil.example http://127.0.0.1:${port}\r\n`), [403]);
  await nothing('another Origin before ours', post(verb('x'), '').replace(origin,
    `Origin: http://evil.example\r\n${origin}`), [403]);
  await nothing('two lengths of a body', post(verb('x'), 'Content-Length: 3\r\n'), [400]);
  await nothing('a length that is negative', post('', '').replace('Content-Length: 0', 'Content-Length: -5'), [400]);
  await nothing('a length of more than there is memory', post('', '').replace('Content-Length: 0',
    'Content-Length: 99999999999999999999999'), [400, 413]);
  await nothing('a header of 60,000 bytes', `GET / HTTP/1.1\r\n${host}X: ${'y'.repeat(60000)}\r\n\r\n`, [400, 413, 431]);
  await nothing('4,000 headers', `GET / HTTP/1.1\r\n${host}${'X: y\r\n'.repeat(4000)}\r\n`, [400, 413, 431]);
  await nothing('an address of 60,000 bytes', `GET /${'a'.repeat(60000)} HTTP/1.1\r\n${host}\r\n`, [400, 414]);
  await nothing('paths that lead out', ['/../../etc/passwd', '/%2e%2e/main.c', '/..%2f..%2fx', '//']
    .map((path) => `GET ${path} HTTP/1.1\r\n${host}\r\n`).join(''), [400, 404]);
  await nothing('bytes that are no HTTP', Buffer.from(Array.from({ length: 5000 }, (_, i) => (i * 7919) % 256)), [400]);
  await nothing('the beginning of TLS', Buffer.from('16030100c8010000c40303', 'hex'), [400]);
  await nothing('chunks of more than 64 KiB', chunked(...Array.from({ length: 20 }, () => 'x'.repeat(8000))), [413]);
  await nothing('a chunk whose size is a lie', chunked('x').replace('\r\n\r\n1\r\n', '\r\n\r\nffffffffffffffff1\r\n'), [400, 413]);

  await t.test('a body in chunks, and requests one behind the other, are taken in turn', async () => {
    const was = await records();
    const got = await wire(t, port, post(verb('one')) + chunked(verb('two').slice(0, 9), verb('two').slice(9)));
    assert.deepEqual(statuses(got), [200, 200], got);
    assert.equal(await records(), was + 2);
  });
  await t.test('JSON that is deep, huge, broken or no Unicode', async () => {
    const was = await records();
    const deep = (open, close) => open.repeat(9000) + close.repeat(9000);
    const bodies = [deep('[', ']'), deep('{"a":', '}'), '[', '"', '{"verb":"note","arguments":["\\u0000"]}',
      '{"verb":"note","arguments":["\\ud800"]}', '{"verb":"note\\u0000","arguments":[]}', '1e999', '9'.repeat(60000),
      JSON.stringify({ verb: 'note', arguments: Array(65).fill('x') })];
    for (const body of bodies) {
      for (const path of ['/verb', '/desk']) {
        const answer = await ask(port, { method: 'POST', path, body, headers: {
          'Content-Type': 'application/json', Origin: `http://127.0.0.1:${port}` } });
        assert.equal(answer.status, 400, `${path} ${body.slice(0, 60)}: ${answer.text}`);
        assert.notEqual(JSON.parse(answer.text).err, '');
      }
    }
    const raw = Buffer.concat([Buffer.from('{"verb":"note","arguments":["'), Buffer.from([0xc3, 0x28]), Buffer.from('"]}')]);
    const got = await wire(t, port, Buffer.concat([Buffer.from('POST /verb HTTP/1.1\r\n' + host + origin + json
      + `Content-Length: ${raw.length}\r\n\r\n`), raw]));
    assert.deepEqual(statuses(got), [400]);
    assert.equal(await records(), was);
  });
  await t.test('numbers that no double holds are refused or mean nothing', async () => {
    const input = (body) => ask(port, { method: 'POST', path: '/desk', body, headers: {
      'Content-Type': 'application/json', Origin: `http://127.0.0.1:${port}` } });
    for (const number of ['9007199254740993', '9223372036854775807', '9223372036854775808', '-1', '1.5', '1e3']) {
      const answer = await input(`{"command":"series","first":${number},"last":${number},"step":${number}}`);
      const view = JSON.parse(answer.text);
      assert.ok(answer.status === 400 || view.way !== 'series', `${number}: ${answer.text}`);
      const question = await input(`{"question":${number},"answer":"x"}`);
      assert.ok([200, 400].includes(question.status), question.text);
    }
  });
});

test('a thousand connections, and pages that never read', { timeout: 180000 }, async (t) => {
  const [lead] = await openFloor(t, { tables: 0 });
  const { port, child } = lead;
  const sockets = [];
  atEnd(t, () => sockets.forEach((socket) => socket.destroy()));
  const open = (bytes) => {
    const socket = connect(Number(port), '127.0.0.1');
    socket.on('error', () => {});
    socket.pause(); // nothing is ever read
    socket.write(bytes);
    sockets.push(socket);
  };
  const before = memory(child.pid);
  for (let i = 0; i < 1000; i++) {
    open(`GET /events?of=floor,desk HTTP/1.1\r\nHost: 127.0.0.1:${port}\r\n\r\n`);
    if (i % 100 === 99) await sleep(20);
  }
  // What is told to them changes all the while; the desk and the other commands go on.
  for (let i = 1; i <= 300; i += 100) {
    const bibs = Array.from({ length: 100 }, (_, k) => i + k);
    assert.equal((await lead.issue(bibs)).length, 100);
  }
  const grown = memory(child.pid) - before;
  assert.ok(grown < 64 * 1024, `${grown} KiB more`); // 64 connections of 32 KiB each, and a state each
  // Those that take nothing are dropped, so that a page comes through in the end.
  await until('a page comes through', 120000, async () => (await ask(port, { path: '/' })).status === 200);
});

test('requests without end on one connection do not keep the desk from its work', { timeout: 120000 }, async (t) => {
  const [lead] = await openFloor(t, { tables: 0 });
  const { port, child } = lead;
  const socket = connect(Number(port), '127.0.0.1');
  atEnd(t, () => socket.destroy());
  const request = `GET /strings.en.js HTTP/1.1\r\nHost: 127.0.0.1:${port}\r\n\r\n`.repeat(200);
  let going = true;
  const more = () => { while (going && socket.write(request)); };
  socket.on('error', () => {}).on('data', () => {}).on('drain', more);
  more();
  const before = memory(child.pid);
  for (let i = 0; i < 10; i++) await lead.issue([i + 1]);
  assert.ok(memory(child.pid) - before < 32 * 1024);
  going = false;
});

test('what a page is told each second does not grow with the bibs that are held', { timeout: 60000 }, async (t) => {
  const [lead] = await openFloor(t, { tables: 0 });
  const told = async () => {
    const text = await wire(t, lead.port, `GET /events?of= HTTP/1.1\r\nHost: 127.0.0.1:${lead.port}\r\n\r\n`,
      { silent_ms: 2500 });
    assert.match(text, /^event: status$/m);
    return text.length;
  };
  await lead.must(['hold', '1', '--reason', 'not paid']);
  const before = await told();
  for (let i = 0; i < 4; i++) {
    await lead.must(['hold', ...Array.from({ length: 50 }, (_, k) => String(2 + 50 * i + k)), '--reason', 'not paid']);
  }
  assert.ok(await told() - before < 1000);
});

test('a node that is ended while pages come ends as it should', { timeout: 120000 }, async (t) => {
  const [lead] = await openFloor(t, { tables: 0 });
  for (let round = 0; round < 8; round++) {
    const { child, port } = lead;
    // Held still, it finds the requests and the word to end at the same moment.
    child.kill('SIGSTOP');
    const sockets = Array.from({ length: 20 }, () => {
      const socket = connect(Number(port), '127.0.0.1');
      socket.on('error', () => {});
      socket.write(`GET /events?of=desk HTTP/1.1\r\nHost: 127.0.0.1:${port}\r\n\r\n`);
      return socket;
    });
    await until('all are there', 10000, () => sockets.every((socket) => !socket.connecting));
    await sleep(50);
    const ended = lead.stop();
    child.kill('SIGCONT');
    assert.equal(await ended, 0, lead.lastWords());
    sockets.forEach((socket) => socket.destroy());
    await start(t, lead, lead, ['--encoder', 'rehearse']);
  }
});
