// wiretap.mjs: somebody with tshark on the hall's network, while stations join, issue and settle. What
// is captured holds nothing readable: no bib, chip, table, helper or event, in no spelling; and it is
// CURVE from the first greeting to the last frame.
//
// ZMTP and CurveZMQ after rfc.zeromq.org/spec/37 and /spec/26; tshark of Debian 12 has no dissector for
// them, so it cuts the streams and attack.mjs reads the frames. Skipped where tshark may not capture.
import test from 'node:test';
import assert from 'node:assert/strict';
import { spawn, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { readFileSync, statSync } from 'node:fs';
import { createServer } from 'node:net';
import { join } from 'node:path';
import { SKIPPED, Station, agree, atEnd, doublesOf, scratch, sleep, told, until } from '../field.mjs';
import { frames, mechanism, meet } from './attack.mjs';

const SECRETS = {
  event: 'Quarrystone Moonlight Marathon', lead: 'Larkspur Control', table: 'Larkspur North',
  other: 'Larkspur South', bib: 'KETTLE-7', bib2: 'KETTLE-81', helper: 'QZJXVKWY',
  reason: 'written at the depot', epc: 'E2C0FFEE10203040A5A5C3D2', epc2: 'E2C0FFEE10203041B6B6D4E3',
  tid: 'E28011052000712233445566',
};

// Each secret as text in upper and lower case, in UTF-8 and both kinds of UTF-16, as hex text, and
// those that are hex as bytes.
function spellings(text) {
  const found = [];
  for (const word of [text, text.toLowerCase(), text.toUpperCase()]) {
    const little = Buffer.from(word, 'utf16le');
    const plain = Buffer.from(word);
    found.push(plain, little, Buffer.from(little).swap16());
    found.push(Buffer.from(plain.toString('hex')), Buffer.from(plain.toString('hex').toUpperCase()));
    found.push(Buffer.from(plain.toString('base64').replace(/.?=*$/, '')));
  }
  if (/^([0-9A-F]{2})+$/.test(text)) found.push(Buffer.from(text, 'hex'));
  return found;
}
const readable = (bytes) => Object.entries(SECRETS)
  .filter(([, text]) => spellings(text).some((spelling) => bytes.includes(spelling)))
  .map(([name]) => name);

async function freePorts(count) {
  const servers = [];
  for (let i = 0; i < count; i += 1) {
    const server = createServer().listen(0, '127.0.0.1');
    await once(server, 'listening');
    servers.push(server);
  }
  const ports = servers.map((server) => server.address().port);
  await Promise.all(servers.map((server) => new Promise((done) => server.close(done))));
  return ports;
}

// Starts to capture what goes by on loopback at these ports, and all UDP; a sentence why not.
async function capture(t, file, ports) {
  const filter = [...ports.map((port) => `tcp port ${port}`), 'udp'].join(' or ');
  const tshark = spawn('tshark', ['-q', '-i', 'lo', '-f', filter, '-F', 'pcap', '-w', file],
    { stdio: ['ignore', 'ignore', 'pipe'] });
  let said = '';
  let why;
  tshark.stderr.setEncoding('utf8').on('data', (text) => (said += text));
  tshark.once('error', (error) => (why = error.message));
  tshark.once('exit', (status) => (why ??= `tshark ended with ${status}: ${said.trim()}`));
  atEnd(t, () => tshark.kill('SIGKILL'));
  try {
    await until('tshark captures', 10000, () => why || /Capturing on/.test(said));
    await sleep(1000); // it says so a little before it does
  } catch (error) {
    why ??= error.message;
  }
  return { why, end: async () => {
    const ended = once(tshark, 'exit');
    tshark.kill('SIGINT');
    await ended;
  } };
}

// The two directions of each TCP connection in the capture, in the order of the bytes.
function streams(file) {
  const ask = (words) => {
    const done = spawnSync('tshark', ['-r', file, ...words], { encoding: 'utf8',
      maxBuffer: 1 << 28 });
    assert.equal(done.status, 0, done.stderr);
    return done.stdout;
  };
  const numbers = new Set(ask(['-T', 'fields', '-e', 'tcp.stream']).split(/\s+/).filter(Boolean));
  const protocols = new Set(ask(['-T', 'fields', '-e', 'frame.protocols']).split('\n')
    .filter(Boolean));
  const found = [...numbers].map((number) => {
    const lines = ask(['-q', '-z', `follow,tcp,raw,${number}`]).split('\n')
      .filter((line) => /^\t?[0-9a-f]+$/.test(line));
    const side = (is) => Buffer.from(lines.filter((line) => line.startsWith('\t') === is)
      .map((line) => line.trim()).join(''), 'hex');
    return [side(false), side(true)];
  });
  return { protocols, found };
}

test('nothing readable on the wire', async (t) => {
  const folder = scratch(t);
  const file = join(folder, 'wire.pcap');
  const ports = await freePorts(3);
  const tap = await capture(t, file, ports);
  if (tap.why) {
    console.log(`skipped: tshark cannot capture on this machine (${tap.why})`);
    process.exit(SKIPPED);
  }
  const [lead, table, other] = ['lead', 'table', 'other'].map((name, i) => new Station({
    name: SECRETS[name], dir: join(folder, name), listen: `127.0.0.1:${ports[i]}` }));
  const stations = [lead, table, other];
  atEnd(t, async () => {
    for (const station of stations) if (station.alive) await station.kill();
  });
  await lead.must(['event', 'new', '--name', SECRETS.event, '--bibs', '1-500', '--scheme', 'as-read',
    '--station', lead.name, '--listen', lead.listen]);
  await lead.start();
  for (const station of [table, other]) {
    const [request, grant] = [`${station.dir}.request`, `${station.dir}.grant`];
    await station.must(['join', '--name', station.name, '--request', request, '--listen',
      station.listen]);
    await lead.must(['admit', request, '--out', grant]);
    await station.must(['join', '--grant', grant]);
    station.peers = [lead.listen];
    await station.start();
  }
  await meet(stations, 2);

  const issue = (station, bib, epc) => station.must(['issue', bib, '--tag',
    `${epc}/${SECRETS.tid}`, '--reason', SECRETS.reason, '--helper', SECRETS.helper]);
  await issue(table, SECRETS.bib2, SECRETS.epc2);
  await until('it spreads', 10000, () => agree(stations));
  await other.stop();
  await issue(table, SECRETS.bib, SECRETS.epc);
  await issue(other, SECRETS.bib, SECRETS.epc2);
  await other.start();
  await meet(stations, 2);
  const doubles = (await lead.run(['doubles', '--json'])).json();
  const double = doubles.find(({ bib }) => bib === SECRETS.bib);
  assert.ok(double, JSON.stringify(doubles));
  const settled = await lead.run(['settle', SECRETS.bib, '--keep', double.issues[0].record, '--unseen',
    '--helper', SECRETS.helper]);
  assert.equal(settled.status, 0, told(settled));
  await until('it is settled', 10000, () => agree(stations));
  assert.ok(!(await doublesOf(other)).some((line) => line.startsWith(SECRETS.bib + ' ')));
  await sleep(1500); // heartbeats too
  for (const station of stations) await station.stop();
  // Where they may be, they are found: so the search is a search.
  assert.deepEqual(readable(readFileSync(join(other.dir, 'ledger.db'))), Object.keys(SECRETS));
  await tap.end();

  assert.deepEqual(readable(readFileSync(file)), [], 'readable in the capture');
  const { protocols, found } = streams(file);
  let messages = 0;
  let bytes = 0;
  let selfTests = 0;
  for (const [called, calling] of found.map(([a, b]) => [b, a])) {
    for (const side of [called, calling]) {
      assert.deepEqual(readable(side), [], 'readable in a stream');
      bytes += side.length;
      if (side.length < 64) continue; // hung up before it was greeted
      const { greeting, found: seen } = frames(side);
      assert.equal(greeting[0], 0xff);
      if (mechanism(greeting) === 'NULL') { // a node that starts tries its own door, see guard.h
        selfTests += 1;
        assert.deepEqual([side.length, frames(side === called ? calling : called).found], [64, []]);
        continue;
      }
      assert.equal(mechanism(greeting), 'CURVE');
      for (const { name } of seen) {
        assert.ok(['HELLO', 'WELCOME', 'INITIATE', 'READY', 'MESSAGE'].includes(name),
          `a frame that is none of CURVE's: ${name}`);
        messages += name === 'MESSAGE' ? 1 : 0;
      }
    }
  }
  assert.equal(selfTests, 4, 'each start of a node tries its door once');
  assert.ok(messages > 50, `only ${messages} messages were captured`);
  // What tshark makes of it: TCP with something inside, and beacons by UDP likewise.
  for (const protocol of protocols) {
    assert.match(protocol, /^(null|eth:ethertype|raw):(ip|ipv6):(tcp|tcp:data|udp:data)$/);
  }
  t.diagnostic(`${found.length} connections, ${bytes} bytes, ${messages} messages in ` +
    `${statSync(file).size} bytes of capture; tshark sees ${[...protocols].join(', ')}`);
});
