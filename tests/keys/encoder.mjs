// encoder.mjs: the encoder `keys`, spoken to as the node speaks to it. Input devices do not exist on
// every machine and cannot be made without one of the kernel's own, so what a keyboard sends is
// played from recorded events in a FIFO, which cannot be grabbed; a serial scanner is a pseudo
// terminal.
import { once } from 'node:events';
import { symlinkSync, unlinkSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { now, scratch, sleep } from '../field.mjs';
import { Encoder, Fifo, startAside, typing } from './typist.mjs';

const scan = (text) => ({ text, scanned: true });
const hand = (text) => ({ text, scanned: false });
const odd = '\uFFFD'; // no label or chip has it

test('it waits for the start, says that it is ready, and gives a sign of life each second',
  { timeout: 60000 }, async (t) => {
    const fifo = new Fifo(scratch(t), 'scanner');
    const encoder = new Encoder(t, fifo.path, { start: false });
    await sleep(300);
    assert.deepEqual(encoder.said, []);
    encoder.order({ do: 'start', protocol: 1, gone_ms: 1500 });
    await encoder.count('field', 1);
    const [ready, field] = encoder.said;
    assert.deepEqual(ready,
      { say: 'ready', protocol: 1, name: `Scanner ${fifo.path}`, can: [] });
    assert.deepEqual(field, { say: 'field', tags: [] });
    const begun = now();
    await encoder.count('field', 4);
    // Three more take three seconds, and never less than most of that.
    assert.ok(now() - begun > 2000, `${now() - begun} ms for three signs of life`);
    assert.equal(await encoder.end(), 0);
  });

test('lines of a FIFO, with what is around them taken off', { timeout: 60000 }, async (t) => {
  const fifo = new Fifo(scratch(t), 'scanner');
  const encoder = new Encoder(t, `${fifo.path},prefix=\\x02,suffix=\\x2C\\x03,gap=100`);
  await encoder.count('ready', 1);
  fifo.type(Buffer.from('00042\r\n]C012345\t\x02]A01234F,\x03\r\x0277\r\xff\x00\r', 'latin1'));
  await encoder.count('typed', 5);
  assert.deepEqual(encoder.typed,
    [scan('00042'), scan('12345'), scan('1234F'), scan(`77${odd}`), scan(odd)]);
  assert.match(encoder.log, /A part of the scan is missing/);
  fifo.type(`${'9'.repeat(5000)}\r43\r`);
  await encoder.count('typed', 7);
  const [long, next] = encoder.typed.slice(5);
  assert.ok(long.text.length < 240 && long.text.endsWith(odd), long.text);
  assert.deepEqual(next, scan('43'));
});

test('keys of a keyboard: the US layout, and speed tells a scan from a hand',
  { timeout: 60000 }, async (t) => {
    const fifo = new Fifo(scratch(t), 'events');
    const encoder = new Encoder(t, `${fifo.path},recorded`);
    await encoder.count('ready', 1);
    assert.match(encoder.log, /cannot be grabbed/);
    const every = '`1234567890-=~!@#$%^&*()_+qwertyuiop[]\\QWERTYUIOP{}|asdfghjkl;\'' +
      'ASDFGHJKL:"zxcvbnm,./ZXCVBNM<>? x';
    fifo.press(`${every}\r`);
    fifo.press('00042\r', 180);
    fifo.press('+REPLACE\t');
    fifo.press(']C0E28011700000020AB12C3D4F\r', 20);
    await encoder.count('typed', 4);
    assert.deepEqual(encoder.typed,
      [scan(every), hand('00042'), scan('+REPLACE'), scan('E28011700000020AB12C3D4F')]);
  });

test('keys that are no characters spoil a line, and are never left out of it',
  { timeout: 60000 }, async (t) => {
    const fifo = new Fifo(scratch(t), 'events');
    const encoder = new Encoder(t, `${fifo.path},recorded`);
    await encoder.count('ready', 1);
    // Codes of linux/input-event-codes.h: 3 is KEY_2, 5 KEY_4, 28 KEY_ENTER, 29 KEY_LEFTCTRL,
    // 42 KEY_LEFTSHIFT, 56 KEY_LEFTALT, 58 KEY_CAPSLOCK, 69 KEY_NUMLOCK, 75 and 80 the 4 and 2 of
    // the keypad, 96 its Enter, 102 KEY_HOME, 105 KEY_LEFT. Value 3: SYN_DROPPED here.
    fifo.codes('58:1', '5:1', '5:2', '5:2', '5:0', '3:1', '28:1'); // held keys count once
    fifo.codes('69:1', '75:1', '80:1', '96:1');
    fifo.codes('5:1', '105:1', '3:1', '28:1');
    fifo.codes('56:1', '5:1', '56:0', '3:1', '28:1');
    fifo.codes('29:1', '27:1', '29:0', '5:1', '28:1'); // Ctrl and ] is the separator of GS1
    fifo.codes('5:1', '3:3', '3:1', '28:1');
    fifo.codes('3:3', '42:1', '3:3', '5:1', '3:1', '28:1');
    fifo.codes('102:1', '28:1');
    fifo.codes('5:1', '3:1', '28:1');
    await encoder.count('typed', 9);
    assert.deepEqual(encoder.typed.map(({ text }) => text),
      ['42', '42', `4${odd}2`, `${odd}2`, `${odd}4`, `4${odd}2`, `${odd}42`, odd, '42']);
  });

// A pseudo terminal in the place of a scanner: {child, path}.
async function plug(t, link) {
  const child = startAside(t, typing, ['serial']);
  const [path] = await once(createInterface({ input: child.stdout }), 'line');
  symlinkSync(path, link);
  return {
    type: (text) => child.stdin.write(text),
    async unplug() {
      unlinkSync(link);
      child.stdin.end();
      assert.equal(await child.ended, 0);
    },
  };
}

test('a serial scanner: unplugged, missed, and plugged in again', { timeout: 60000 }, async (t) => {
  const link = join(scratch(t), 'scanner');
  const encoder = new Encoder(t, `${link},baud=115200`);
  await encoder.count('trouble', 2);
  assert.deepEqual(encoder.all('ready'), []);
  assert.match(encoder.said[0].text, /^The scanner is not there\. Plug it in\.$/);
  const first = await plug(t, link);
  await encoder.count('ready', 1);
  first.type('42\r');
  await encoder.count('typed', 1);
  first.type('77'); // a scan that the cable cuts
  await sleep(300);
  const before = encoder.all('trouble').length;
  await first.unplug();
  await encoder.count('trouble', before + 2);
  const second = await plug(t, link);
  await encoder.count('ready', 2);
  second.type('43\r');
  await encoder.count('typed', 2);
  assert.deepEqual(encoder.typed, [scan('42'), scan('43')]);
  assert.equal(await encoder.end(), 0);
});

test('what cannot be a scanner is said, each second, and does not end it',
  { timeout: 60000 }, async (t) => {
    const folder = scratch(t);
    const file = join(folder, 'notes.txt');
    writeFileSync(file, '42\n');
    const cases = [
      ['', /^Say which scanner/],
      [file, /nothing that a scanner types into/],
      ['/dev/null', /nothing that a scanner types into/],
      ['scanner=No such scanner is here', /^The scanner is not there/],
      [`${file},scanner=x`, /not by both/],
      ['speed=fast', /^A scanner is named by its device/],
      [`${file},prefix=\\x0d`, /Enter and Tab end a line anyway/],
      [`${file},baud=31`, /^The speed of a serial scanner/],
    ];
    const encoders = cases.map(([args]) => new Encoder(t, args));
    for (const [i, encoder] of encoders.entries()) {
      await encoder.count('trouble', 2);
      assert.match(encoder.said[0].text, cases[i][1]);
      assert.ok(encoder.said.every(({ say }) => say === 'trouble'), encoder.picture());
      assert.equal(await encoder.end(), 0);
    }
  });

test('orders that a scanner cannot do, and lines that are none', { timeout: 60000 }, async (t) => {
  const fifo = new Fifo(scratch(t), 'scanner');
  const encoder = new Encoder(t, fifo.path);
  encoder.child.stdin.write('\n{"do":\n[1]\n{"do":"dance"}\n');
  encoder.child.stdin.write(`"${'x'.repeat(200000)}"\n`);
  encoder.order({ do: 'forget', order: 3 });
  encoder.order({ do: 'write', order: 4, tag: { epc: 'E200' }, epc: '3500', pc: '0800' });
  await encoder.count('failed', 1);
  const [{ text, ...failed }] = encoder.all('failed');
  assert.deepEqual(failed, { say: 'failed', order: 4, why: 'reader', changed: false });
  assert.match(text, /writes no chips/);
  fifo.type('42\r');
  await encoder.count('typed', 1);
});

test('a flood is let through slowly, whole, with signs of life between',
  { timeout: 60000 }, async (t) => {
    const fifo = new Fifo(scratch(t), 'scanner');
    const encoder = new Encoder(t, fifo.path);
    await encoder.count('ready', 1);
    const numbers = Array.from({ length: 400 }, (_, i) => String(1000 + i));
    fifo.type(numbers.map((number) => `${number}\r`).join(''));
    await encoder.count('typed', 400);
    assert.deepEqual(encoder.typed.map(({ text }) => text), numbers);
    let run = 0;
    for (const { say } of encoder.said) {
      run = say === 'typed' ? run + 1 : 0;
      assert.ok(run <= 250, 'too many lines without a sign of life');
    }
  });
