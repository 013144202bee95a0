// typist.mjs: what the tests of keys share: the encoder `keys` as the node starts it, and outside
// programs that make and read barcodes.
import { spawn, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { appendFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { createInterface } from 'node:readline';
import assert from 'node:assert/strict';
import { atEnd, program, until } from '../field.mjs';

// typing.c: $TYPING, which ctest sets, or the one beside the program.
export const typing = process.env.TYPING || join(dirname(program), '../tests/typing');

// Runs an outside program to its end; gives what it printed, as bytes where `encoding` is null.
export function output(file, words, { encoding = 'utf8', statuses = [0] } = {}) {
  const done = spawnSync(file, words, { encoding, maxBuffer: 1 << 26 });
  assert.ok(statuses.includes(done.status),
    `${file} ${words.join(' ')}: ${done.status} ${done.stderr}${done.error ?? ''}`);
  return done.stdout;
}

// What zbarimg reads in a picture (or several in one file), as [{kind: 'CODE-128', text}]. It ends
// with 4 where there is nothing.
export function readPictures(files) {
  return output('zbarimg', ['-q', '--nodbus', ...files], { statuses: [0, 4] }).split('\n')
    .filter(Boolean).map((line) => {
      const at = line.indexOf(':');
      return { kind: line.slice(0, at), text: line.slice(at + 1) };
    });
}

// A process whose standard input stays open; it ends with the test at the latest.
export function startAside(t, file, words) {
  const child = spawn(file, words, { stdio: ['pipe', 'pipe', 'pipe'] });
  child.stdin.on('error', () => {});
  child.ended = once(child, 'exit').then(([status, signal]) => status ?? signal);
  atEnd(t, async () => {
    child.kill('SIGKILL');
    await child.ended;
  });
  return child;
}

export class Encoder {
  // Starts it; `start: false` leaves the protocol's first line to the test.
  constructor(t, args, { start = true } = {}) {
    this.child = startAside(t, program, ['encoder', 'keys', args]);
    this.said = [];
    this.log = '';
    createInterface({ input: this.child.stdout })
      .on('line', (line) => this.said.push(JSON.parse(line)));
    this.child.stderr.setEncoding('utf8').on('data', (text) => (this.log += text));
    if (start) this.order({ do: 'start', protocol: 1, gone_ms: 1500 });
  }
  order(object) {
    this.child.stdin.write(`${JSON.stringify(object)}\n`);
  }
  all(say) {
    return this.said.filter((line) => line.say === say);
  }
  get typed() {
    return this.all('typed').map(({ text, scanned }) => ({ text, scanned }));
  }
  count(say, count) {
    return until(`${count} lines of ${say}`, 20000,
      () => this.all(say).length >= count || Promise.reject(new Error(this.picture())), 20);
  }
  picture() {
    return `${JSON.stringify(this.said.slice(-8))} ${this.log}`;
  }
  // Ends it as the node does, and gives its exit status.
  end() {
    this.child.stdin.end();
    return this.child.ended;
  }
}

// A FIFO, and what a scanner that writes into it does.
export class Fifo {
  constructor(folder, name) {
    this.path = join(folder, name);
    output('mkfifo', [this.path]);
  }
  type(bytes) {
    appendFileSync(this.path, bytes);
  }
  // The same as keys of a keyboard, in a recording with its own times.
  press(text, gap = 8) {
    this.type(output(typing, ['events', String(gap), text], { encoding: null }));
  }
  codes(...words) {
    this.type(output(typing, ['codes', ...words], { encoding: null }));
  }
}
