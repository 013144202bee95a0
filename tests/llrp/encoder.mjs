// encoder.mjs: the LLRP encoder process in the hands of a test, in the node's place.
import assert from 'node:assert/strict';
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { createInterface } from 'node:readline';
import { atEnd, now, program, until } from '../field.mjs';

// Runs it to its end with stdin closed: {status, stdout, stderr}.
export async function runToEnd(args) {
  const child = spawn(program, ['encoder', 'llrp', args], { stdio: ['pipe', 'pipe', 'pipe'] });
  const said = { stdout: '', stderr: '' };
  for (const name of ['stdout', 'stderr']) {
    child[name].setEncoding('utf8').on('data', (text) => (said[name] += text));
  }
  child.stdin.on('error', () => {});
  child.stdin.end();
  const timer = setTimeout(() => child.kill('SIGKILL'), 10000);
  const [status] = await once(child, 'close');
  clearTimeout(timer);
  return { status, ...said };
}

export class Encoder {
  constructor(t, args, { gone_ms = 400 } = {}) {
    this.said = []; // all lines, parsed, with `at`
    this.log = '';
    this.child = spawn(program, ['encoder', 'llrp', args], { stdio: ['pipe', 'pipe', 'pipe'] });
    this.child.stdin.on('error', () => {});
    this.child.stderr.setEncoding('utf8').on('data', (text) => (this.log += text));
    createInterface({ input: this.child.stdout }).on('line', (line) => {
      assert.ok(line.length <= 65536, 'a line too long');
      this.said.push({ ...JSON.parse(line), at: now() });
    });
    this.ended = once(this.child, 'close').then(([status, signal]) => status ?? signal);
    atEnd(t, () => this.end());
    this.tell({ do: 'start', protocol: 1, gone_ms });
  }
  tell(line) {
    this.child.stdin.write(typeof line === 'string' ? line : `${JSON.stringify(line)}\n`);
  }
  async end() {
    this.child.stdin.end();
    const timer = setTimeout(() => this.child.kill('SIGKILL'), 10000);
    const status = await this.ended;
    clearTimeout(timer);
    assert.doesNotMatch(this.log, /Sanitizer|runtime error|broken invariant/);
    return status;
  }
  // The first line after number `from` that `fits`.
  async hears(what, fits, { from = 0, within_ms = 12000 } = {}) {
    return until(`it says: ${what}`, within_ms, () => {
      const found = this.said.slice(from).find(fits);
      if (!found) throw new Error(`${JSON.stringify(this.said.slice(-2))}\n${this.log}`);
      return found;
    }, 10);
  }
  ready(options) {
    return this.hears('ready', ({ say }) => say === 'ready', options);
  }
  trouble(words, options) {
    return this.hears(`trouble ${words}`, ({ say, text }) => say === 'trouble' && words.test(text), options);
  }
  // A field of exactly these tags, {epc, tid}, as bytes in hex.
  field(tags, options) {
    const key = ({ epc, tid }) => `${epc}/${tid ?? ''}`.toUpperCase();
    const wanted = tags.map(key).sort().join();
    return this.hears(`field ${wanted}`, (line) =>
      line.say === 'field' && line.tags.map(key).sort().join() === wanted, options);
  }
  // Orders a write and gives the answer, without `say` and `at`.
  async write(order, tag, epc, pc) {
    this.order(order, tag, epc, pc);
    return this.answer(order);
  }
  order(order, { epc: old, tid }, epc, pc = (epc.length / 4 << 11).toString(16).padStart(4, '0')) {
    this.tell({ do: 'write', order, tag: { epc: old, ...(tid ? { tid } : {}) }, epc, pc });
  }
  async answer(order) {
    const found = await this.hears(`an answer to ${order}`, (line) =>
      line.order === order && (line.say === 'written' || line.say === 'failed'));
    const { at, ...answer } = found;
    return answer;
  }
}
