// table.mjs: what the tests of the desk share: a station whose node has encoders, and its desk.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { atEnd, makeEvent, scratch, until } from '../field.mjs';

// The encoder that strangers start from, as they would give it.
export const example =
  `program:python3 '${join(dirname(fileURLToPath(import.meta.url)), '../../examples/encoder.py')}'`;

export const withEncoders = (...specs) => ({ words: specs.flatMap((spec) => ['--encoder', spec]) });

// One station, the lead's, that does not run yet; `state` is a file for its rehearsal. The node is
// stopped and not killed at the end, so that no encoder writes any more when the folders go.
export async function oneTable(t, { folder = scratch(t), extra = [] } = {}) {
  const state = join(scratch(t), 'state');
  const [lead] = await makeEvent(folder, [{ listen: '127.0.0.1:0' }], { extra });
  atEnd(t, () => lead.alive && lead.stop());
  return Object.assign(new Table(lead), { state });
}

export class Table {
  constructor(station) {
    this.station = station;
  }
  view() {
    return this.station.json(['desk', '--view']);
  }
  input(words) {
    return this.station.json(['desk', '--input', JSON.stringify(words)]);
  }
  scan(text) {
    return this.input({ text: String(text), scanned: true });
  }
  async answer(word) {
    const { question, choices } = await this.view();
    assert.ok(choices.some((choice) => choice.word === word), JSON.stringify(choices));
    return this.input({ question, answer: word });
  }
  // Waits until the view is as `probe` says.
  until(what, probe, within_ms = 20000) {
    return until(what, within_ms, async () => {
      const view = await this.view();
      if (await probe(view)) return view;
      throw new Error(JSON.stringify(view));
    }, 20);
  }
  ready() {
    return this.until('the encoder is ready and a chip lies there', ({ encoder, heard }) =>
      encoder && heard > 0);
  }
  // What `ask` says of a bib: its live issues.
  async live(bib) {
    return (await this.station.json(['ask', String(bib)])).issues.filter(({ live }) => live);
  }
}

// What a rehearsal keeps: how many orders to write there were, and the tag that lies there.
export function rehearsed(file) {
  const [orders, there, serial, epc] = readFileSync(file, 'utf8').trim().split(' ');
  return { orders: Number(orders), there: there === '1', epc,
    tid: `E2000FFF${BigInt(serial).toString(16).toUpperCase().padStart(16, '0')}` };
}
