// field.mjs: the real program in the field of a test: commands, stations as processes, deadlines.
//
// For tests and benchmarks that drive the program from outside. Node.js 18 or later, no packages.
// Ends only processes that it started, by their id, and removes only folders that it made.
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { closeSync, mkdtempSync, openSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';
import assert from 'node:assert/strict';

const here = dirname(fileURLToPath(import.meta.url));

// The program under test: $BIBWEAVE, which ctest sets, or the one in build/.
export const program = process.env.BIBWEAVE || join(here, '../build/node/bibweave');

// For scenarios that take part in ctest: this status means "could not be run here".
export const SKIPPED = 77;

export const sleep = (ms) => new Promise((done) => setTimeout(done, ms));

// Milliseconds that only go forward.
export const now = () => performance.now();

const started = new Set();

// Kills what is left, should a test end in the middle.
process.on('exit', () => {
  for (const child of started) child.kill('SIGKILL');
});
for (const signal of ['SIGINT', 'SIGTERM']) process.on(signal, () => process.exit(1));

// Has `step` done when the test `t` ends, the last asked for first.
const steps = new WeakMap();
export function atEnd(t, step) {
  if (!steps.has(t)) {
    steps.set(t, []);
    t.after(async () => {
      for (const undo of steps.get(t).reverse()) await undo();
    });
  }
  steps.get(t).push(step);
}

// A temporary folder that goes when the test `t` ends. Short, because control sockets live in it.
export function scratch(t) {
  const folder = mkdtempSync(join(tmpdir(), 'bw-'));
  atEnd(t, () => rmSync(folder, { recursive: true, force: true }));
  return folder;
}

// Calls `probe` until it gives something true, and returns that. Fails after `within_ms` with
// `what` and what the probe last threw or gave.
export async function until(what, within_ms, probe, every_ms = 100) {
  const end = now() + within_ms;
  let last;
  for (;;) {
    try {
      last = await probe();
      if (last) return last;
    } catch (error) {
      last = error;
    }
    if (now() > end) {
      const seen = last instanceof Error ? last.message : JSON.stringify(last);
      assert.fail(`${what}: not within ${within_ms} ms; last seen: ${seen}`);
    }
    await sleep(every_ms);
  }
}

// The command line that runs `words` in the network namespace `host` (none: right here).
export function commandIn(host, words) {
  return host ? ['nsenter', `--net=/run/netns/${host}`, ...words] : words;
}

// Starts the program; the caller owns the process, but an exit of the test ends it.
// `machine`: words before it that make it believe to be on another machine.
export function launch(words, { host, machine = [], env, cwd, stdio = 'pipe' } = {}) {
  const [file, ...rest] = commandIn(host, [...machine, program, ...words]);
  const child = spawn(file, rest, { cwd, stdio, env: { ...process.env, ...env } });
  started.add(child);
  child.once('exit', () => started.delete(child));
  child.once('error', () => started.delete(child));
  return child;
}

// Runs one command to its end: {status, signal, stdout, stderr, json()}.
export async function run(words, { input = '', within_ms = 60000, ...options } = {}) {
  const child = launch(words, options);
  const answer = { words, stdout: '', stderr: '' };
  child.stdout.setEncoding('utf8').on('data', (text) => (answer.stdout += text));
  child.stderr.setEncoding('utf8').on('data', (text) => (answer.stderr += text));
  child.stdin.on('error', () => {}); // a command may end without reading its input
  child.stdin.end(input);
  const timer = setTimeout(() => child.kill('SIGKILL'), within_ms);
  const [status, signal] = await once(child, 'close').finally(() => clearTimeout(timer));
  Object.assign(answer, { status, signal, json: () => JSON.parse(answer.stdout) });
  return answer;
}

// The same, and it has to end with status 0.
export async function must(words, options) {
  const answer = await run(words, options);
  assert.equal(answer.status, 0, told(answer));
  return answer;
}

export function told({ words, status, signal, stdout, stderr }) {
  return `bibweave ${words.join(' ')}: status ${status ?? signal}\n${stdout}${stderr}`;
}

// A refusal: exactly this status, and on stderr first a sentence that a person can act on.
export function assertRefused(answer, status) {
  assert.equal(answer.status, status, told(answer));
  const [sentence] = answer.stderr.split('\n');
  assert.match(sentence, /^\S.*[.?!]$/, `not a sentence: ${told(answer)}`);
  assert.match(sentence, /[a-z]+ [a-z]+/, `no words to act on: ${told(answer)}`);
  assert.doesNotMatch(answer.stderr, /Sanitizer|runtime error|broken invariant/, told(answer));
}

// One station: its folder, where it listens, and its process while it runs.
export class Station {
  constructor({ name, dir, listen, host, machine, env }) {
    Object.assign(this, { name, dir, listen, host, machine, env, log: `${dir}.log`, peers: [] });
  }

  // A command on this station's folder.
  run(words, options) {
    return run(['--dir', this.dir, ...words], { machine: this.machine, ...options });
  }
  must(words, options) {
    return must(['--dir', this.dir, ...words], { machine: this.machine, ...options });
  }
  async json(words) {
    return (await this.must([...words, '--json'])).json();
  }
  status() {
    return this.json(['status']);
  }

  // Starts the node (with further `words`), and comes back when it serves. `this.address` is where
  // then.
  async start({ env, words: further = [] } = {}) {
    const words = ['--dir', this.dir, 'run', '--listen', this.listen, ...further];
    for (const peer of this.peers) words.push('--peer', peer);
    const log = openSync(this.log, 'a');
    const stdio = ['ignore', 'pipe', log];
    const { host, machine } = this;
    this.child = launch(words, { host, machine, env: { ...this.env, ...env }, stdio });
    closeSync(log);
    this.ended = once(this.child, 'exit');
    this.address = await this.#ready();
    return this.address;
  }

  // Where the node says that it serves.
  #ready() {
    const { child } = this;
    return new Promise((done, failed) => {
      const end = (outcome, value) => {
        clearTimeout(timer);
        child.off('exit', ended);
        outcome(value);
      };
      const fail = (why) => end(failed, new Error(`${this.name} ${why}: ${this.lastWords()}`));
      const ended = (status, signal) => fail(`ended (${status ?? signal})`);
      const timer = setTimeout(fail, 30000, 'is not ready');
      child.once('exit', ended);
      createInterface({ input: child.stdout }).on('line', (line) => {
        const found = /^ready (\S+)/.exec(line);
        if (found) end(done, found[1]);
      });
    });
  }

  // Ends the node as a person would, and gives its exit status.
  async stop() {
    this.child.kill('SIGTERM');
    const [status, signal] = await this.ended;
    this.child = undefined;
    return status ?? signal;
  }

  // Ends the node as a power cut would.
  async kill() {
    this.child.kill('SIGKILL');
    await this.ended;
    this.child = undefined;
  }

  get alive() {
    return this.child !== undefined && this.child.exitCode === null && !this.child.signalCode;
  }

  lastWords() {
    return readFileSync(this.log, 'utf8').split('\n').slice(-12).join('\n');
  }

  // A stack of bibs through `issue -` (with further `words`): what was acknowledged, as
  // [{bib, record}].
  async issue(bibs, words = []) {
    const input = bibs.map((bib) => `${bib}\n`).join('');
    const answer = await this.must(['issue', '-', '--json', ...words], { input });
    const acknowledged = acknowledgements(answer.stdout);
    assert.equal(acknowledged.length, bibs.length, told(answer));
    return acknowledged;
  }
}

// The lines of `issue - --json` that acknowledge an issue. A last line without its end does not
// count: nobody has read it as done.
export function acknowledgements(text) {
  const whole = text.slice(0, text.lastIndexOf('\n') + 1).split('\n').filter(Boolean);
  return whole.map((line) => JSON.parse(line)).filter((line) => line.record && !line.error);
}

// An `issue -` that is fed line by line: feed(bib), acknowledged[], ended (a promise).
export class Stream {
  constructor(station, words = []) {
    this.child = launch(['--dir', station.dir, 'issue', '-', '--json', ...words]);
    this.acknowledged = [];
    this.waiting = [];
    this.child.stdin.on('error', () => {});
    this.child.stderr.resume();
    // A line counts when its end has come: readline would give a torn one too.
    let rest = '';
    this.child.stdout.setEncoding('utf8').on('data', (text) => {
      rest += text;
      const lines = rest.split('\n');
      rest = lines.pop();
      for (const line of lines.filter(Boolean)) this.#take(JSON.parse(line));
    });
    this.ended = once(this.child, 'close').then(([status]) => {
      for (const { done } of this.waiting.splice(0)) done(undefined);
      return status;
    });
  }
  #take(line) {
    if (line.record && !line.error) this.acknowledged.push(line);
    this.waiting.shift()?.done(line);
  }
  // Sends one bib (or "BIB EPC/TID"); gives its answer, or undefined if the stream ended first.
  feed(line) {
    return new Promise((done) => {
      this.waiting.push({ done });
      this.child.stdin.write(`${line}\n`);
    });
  }
  async end() {
    this.child.stdin.end();
    return this.ended;
  }
}

// Makes an event of 20,000 bibs (late entries 19001-20000) in `folder`, and one station for each
// entry of `places` ({listen, host, env}); the first is the lead's. Table i has bibs
// 1000 i + 1 to 1000 i + 1000. Nothing runs yet.
export async function makeEvent(folder, places, { scheme = 'own:4711', extra = [] } = {}) {
  const stations = places.map((place, i) => {
    const name = i === 0 ? 'Lead' : `Table ${i}`;
    return new Station({ ...place, name, dir: join(folder, i === 0 ? 'lead' : `t${i}`) });
  });
  const [lead, ...tables] = stations;
  const listens = ({ listen }) => (listen.endsWith(':0') ? [] : ['--listen', listen]);
  await lead.must(['event', 'new', '--name', 'Kettle Hill Run', '--bibs', '1-20000', '--late',
    '19001-20000', '--scheme', scheme, '--station', 'Lead', ...listens(lead), ...extra]);
  await lead.must(['allot', 'Lead', '1-1000']);
  for (const [i, table] of tables.entries()) {
    const request = `${table.dir}.request`;
    const grant = `${table.dir}.grant`;
    const bibs = `${1000 * (i + 1) + 1}-${1000 * (i + 2)}`;
    await table.must(['join', '--name', table.name, '--request', request, ...listens(table)]);
    await lead.must(['admit', request, '--out', grant, '--bibs', bibs]);
    await table.must(['join', '--grant', grant]);
  }
  return stations;
}

// The bibs first, first + 1, ... (count of them).
export const stack = (first, count) => Array.from({ length: count }, (_, i) => first + i);

// The EPC that the scheme own:4711 gives to a bib: 32 bits event code, 64 bits bib number.
export const epcOf = (bib) =>
  (4711).toString(16).padStart(8, '0').toUpperCase() +
  BigInt(bib).toString(16).padStart(16, '0').toUpperCase();

// Gives true if all stations hold the same records and derive the same state; throws what each
// holds otherwise, so that a wait for it can say what was missing.
export async function agree(stations) {
  const seen = await Promise.all(stations.map((station) => station.status()));
  const pictures = seen.map(({ records, heads_hash, state_hash }) =>
    `${records} records, heads ${heads_hash}, state ${state_hash}`);
  if (new Set(pictures).size === 1) return true;
  const each = stations.map(({ name }, i) => `${name} has ${pictures[i]}`);
  throw new Error(`they differ:\n${each.join('\n')}`);
}

// The record ids in a station's chip list: what it would hand to the timing crew.
export async function listed(station) {
  const file = `${station.dir}.csv`;
  const answer = await station.run(['export', file, '--force']);
  // 1: closed tables and settled doubles are not what these tests are about
  assert.ok(answer.status === 0 || answer.status === 1, told(answer));
  const rows = readFileSync(file, 'utf8').split(/\r?\n/).filter(Boolean);
  const at = rows[0].split(',').indexOf('record');
  assert.notEqual(at, -1, `no column "record" in ${rows[0]}`);
  return new Set(rows.slice(1).map((row) => row.split(',')[at]));
}

// Every acknowledged issue ({bib, record}) is in every station's chip list.
export async function assertKept(stations, acknowledged) {
  assert.ok(acknowledged.length > 0, 'nothing was acknowledged');
  for (const station of stations) {
    const records = await listed(station);
    const lost = acknowledged.filter(({ record }) => !records.has(record));
    assert.deepEqual(lost.map(({ bib }) => bib), [],
      `lost at ${station.name} (${records.size} listed of ${acknowledged.length})`);
  }
}

// The doubles that a station shows, as "bib cause", sorted.
export async function doublesOf(station) {
  const answer = await station.run(['doubles', '--json']);
  assert.ok(answer.status === 0 || answer.status === 1, told(answer));
  return answer.json().map(({ bib, tag, cause }) => `${bib ?? tag} ${cause}`).sort();
}
