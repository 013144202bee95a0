// barcodes.mjs: barcodes on paper. Those of zint, read back by zbarimg, give what the program takes
// from a scanner; the program's own sheets, made pictures of by rsvg-convert and pdftoppm, give
// every bib exactly once.
import { existsSync, readFileSync, readdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { assertRefused, atEnd, makeEvent, scratch, stack } from '../field.mjs';
import { Encoder, Fifo, output, readPictures } from './typist.mjs';

const DPI = 200;

// What zint 2.11 and zbarimg make of digits (CHECKS): ITF is padded to an even count, and a check
// character of Code 39 comes as data. The identifiers of ISO/IEC 15424 are from memory.
const symbologies = [
  { kind: 'CODE-128', words: ['-b', '20'], identifier: ']C0' },
  { kind: 'CODE-39', words: ['-b', '8'], identifier: ']A0' },
  { kind: 'QR-Code', words: ['-b', '58'], identifier: ']Q1' },
  { kind: 'I2/5', words: ['-b', '3'], identifier: ']I0', text: (n) => `0${n}`.slice(-6),
    only: ['12345'] },
  { kind: 'CODE-39', words: ['-b', '8', '--vers=1'], identifier: ']A1', text: (n) => `${n}F`,
    only: ['12345'] },
];

test('what zint prints and zbarimg reads is what comes out of the scanner', { timeout: 120000 },
  async (t) => {
    const folder = scratch(t);
    const fifo = new Fifo(folder, 'bytes');
    const keys = new Fifo(folder, 'events');
    const bytes = new Encoder(t, fifo.path);
    const events = new Encoder(t, `${keys.path},recorded`);
    await bytes.count('ready', 1);
    await events.count('ready', 1);
    const wanted = [];
    for (const { kind, words, identifier, text = (n) => n, only } of symbologies) {
      for (const number of only ?? ['1', '12345', '00042']) {
        const file = join(folder, `${wanted.length}.png`);
        output('zint', [...words, '-d', number, '-o', file]);
        assert.deepEqual(readPictures([file]), [{ kind, text: text(number) }]);
        const [{ text: read }] = readPictures([file]);
        for (const typed of [`${read}\r\n`, `${identifier}${read}\r`, `${read}\t`]) {
          fifo.type(typed);
          keys.press(typed.replace('\n', ''));
          wanted.push({ text: text(number), scanned: true });
        }
      }
    }
    await bytes.count('typed', wanted.length);
    await events.count('typed', wanted.length);
    assert.deepEqual(bytes.typed, wanted);
    assert.deepEqual(events.typed, wanted);
  });

// One picture in shades of grey of each page of a PDF.
function pdfPages(file) {
  const stem = file.replace(/\.pdf$/, '');
  output('pdftoppm', ['-r', String(DPI), '-gray', file, stem]);
  const name = stem.slice(stem.lastIndexOf('/') + 1);
  const folder = stem.slice(0, stem.lastIndexOf('/'));
  return readdirSync(folder).filter((page) => page.startsWith(`${name}-`) && page.endsWith('.pgm'))
    .sort().map((page) => join(folder, page));
}

function svgPicture(file) {
  const picture = `${file}.png`;
  output('rsvg-convert',
    ['--dpi-x', String(DPI), '--dpi-y', String(DPI), '-b', 'white', '-o', picture, file]);
  return picture;
}

// The fields of a page in SVG cut out along its lines, one picture each, as a person scans them:
// what is then missing of a quiet zone is missing for a scanner too.
function svgFields(file, { columns, rows, left, top, width, height }) {
  const page = readFileSync(file, 'utf8');
  const whole = 'width="210mm" height="297mm" viewBox="0 0 210 297"';
  assert.ok(page.includes(whole), 'not a page in A4');
  return Array.from({ length: columns * rows }, (_, i) => {
    const x = left + width * (i % columns);
    const y = top + height * Math.floor(i / columns);
    const field = `${file}-${i}.svg`;
    writeFileSync(field, page.replace(whole,
      `width="${width}mm" height="${height}mm" viewBox="${x} ${y} ${width} ${height}"`));
    return svgPicture(field);
  });
}
const labels = { columns: 3, rows: 8, left: 0, top: 0.5, width: 70, height: 37 };
const card = { columns: 2, rows: 7, left: 10, top: 8.5, width: 95, height: 40 };

// The numbers that were read, in order; each of that kind.
function numbers(read, kind) {
  for (const code of read) assert.equal(code.kind, kind, code.text);
  return read.map(({ text }) => Number(text)).sort((a, b) => a - b);
}

async function openEvent(t, options) {
  const folder = scratch(t);
  const [lead] = await makeEvent(folder, [{ listen: '127.0.0.1:0' }], options);
  atEnd(t, async () => {
    if (lead.alive) await lead.kill();
  });
  return { folder, lead };
}

test('a sheet of 200 bibs has each of them exactly once, as SVG and as PDF', { timeout: 180000 },
  async (t) => {
    const { folder, lead } = await openEvent(t);
    const pdf = join(folder, 'bibs.pdf');
    const svg = join(folder, 'bibs.svg');
    const made = await lead.json(['barcodes', '--bibs', '101-300', '--out', pdf]);
    assert.deepEqual(made, { files: [pdf], bibs: 200, pages: 9, card: false });
    assert.match(output('pdfinfo', [pdf]), /Pages: +9\n[^]*Page size: +595\.\d+ x 841\.\d+ pts \(A4\)/);
    const pages = pdfPages(pdf);
    assert.equal(pages.length, 9);
    assert.deepEqual(numbers(readPictures(pages), 'CODE-128'), stack(101, 200));
    // Below each code stands its number, as text that a person can search for.
    const words = output('pdftotext', ['-layout', pdf, '-']).match(/\d+/g).map(Number);
    assert.deepEqual(words.sort((a, b) => a - b), stack(101, 200));

    await lead.start(); // in a running node, too
    const { files } = await lead.json(['barcodes', '--bibs', '101-300', '--out', svg]);
    assert.deepEqual(files, stack(1, 9).map((page) => join(folder, `bibs-${page}.svg`)));
    assert.deepEqual(numbers(readPictures(files.map(svgPicture)), 'CODE-128'), stack(101, 200));
  });

test('Code 39 and QR, each label by itself, with its quiet zones', { timeout: 180000 },
  async (t) => {
    const { folder, lead } = await openEvent(t);
    const bibs = [...stack(1, 23), 12345];
    for (const [code, kind] of [['39', 'CODE-39'], ['qr', 'QR-Code'], ['128', 'CODE-128']]) {
      const file = join(folder, `${code}.svg`);
      await lead.must(['barcodes', '--bibs', '12345,1-23', '--code', code, '--out', file]);
      const fields = svgFields(file, labels).map((picture) => readPictures([picture]));
      assert.deepEqual(fields, bibs.map((bib) => [{ kind, text: String(bib) }]));
    }
  });

test('the longest numbers fit, and a number that two ranges hold comes once', { timeout: 120000 },
  async (t) => {
    const folder = scratch(t);
    const [lead] = await makeEvent(folder, [{ listen: '127.0.0.1:0' }]);
    const other = join(folder, 'long');
    await lead.run(['--dir', other, 'event', 'new', '--name', 'Long & <Wide>', '--bibs',
      '5-7,999999999998-999999999999', '--late', '7-8', '--scheme', 'as-read', '--unsealed',
      '--no-second-lead', '--station', 'Lead']);
    for (const [code, kind] of [['39', 'CODE-39'], ['qr', 'QR-Code'], ['128', 'CODE-128']]) {
      const file = join(folder, `${code}.svg`);
      const answer = await lead.run(['--dir', other, 'barcodes', '--bibs', 'all', '--code', code,
        '--out', file]);
      assert.equal(answer.status, 0, answer.stderr);
      assert.deepEqual(numbers(readPictures(svgFields(file, labels)), kind),
        [5, 6, 7, 8, 999999999998, 999999999999]);
    }
  });

// Every word that the desk takes from a card: its choices, and its commands.
function deskWords() {
  const folder = new URL('../../common/', import.meta.url);
  const desk = readdirSync(folder).filter((name) => /^desk.*\.c$/.test(name))
    .map((name) => readFileSync(new URL(name, folder), 'utf8')).join('');
  const choices = [...desk.matchAll(/desk_choice\(\s*[^,()]+,\s*"(\w+)"/g)].map(([, word]) => word);
  const [, commands] = /CARDS\[\] = \{([^;]*)\};/.exec(desk);
  const all = [...choices, ...[...commands.matchAll(/"(\w+)"/g)].map(([, word]) => word)];
  assert.ok(choices.length > 20 && all.length > choices.length, 'the words were not found');
  return [...new Set(all)].map((word) => `+${word.toUpperCase()}`).sort();
}

test('the card, in both kinds, has each word that the desk takes', { timeout: 180000 },
  async (t) => {
    const { folder, lead } = await openEvent(t);
    const words = deskWords();
    for (const [code, kind] of [['qr', 'QR-Code'], ['128', 'CODE-128']]) {
      const file = join(folder, `${code}.svg`);
      const { files } = await lead.json(['barcodes', '--card', '--code', code, '--out', file]);
      const fields = files.flatMap((page) => svgFields(page, card))
        .map((picture) => readPictures([picture]));
      for (const field of fields) assert.ok(field.length <= 1, 'two codes in one field');
      const read = fields.flat();
      assert.deepEqual(read.map(({ text }) => text).sort(), words);
      assert.ok(read.every((code) => code.kind === kind));
    }
    const both = join(folder, 'both.pdf');
    await lead.must(['barcodes', '--card', '--bibs', '7', '--out', both]);
    const pages = pdfPages(both).map((page) => readPictures([page]).map(({ text }) => text));
    assert.deepEqual(pages.pop(), ['7']);
    assert.deepEqual(pages.flat().sort(), words);
  });

test('badges: one for each helper, as the desk reads them', { timeout: 120000 }, async (t) => {
  const { folder, lead } = await openEvent(t);
  const file = join(folder, 'badges.svg');
  const { files } = await lead.json(['barcodes', '--badges', 'AB,cd,Q7-X', '--out', file]);
  const read = files.flatMap((page) => svgFields(page, card)).flatMap((picture) => readPictures([picture]));
  assert.deepEqual(read.map(({ text }) => text).sort(), ['+BY:AB', '+BY:Q7-X', '+BY:cd']);
});

test('what is refused, and leaves nothing behind', { timeout: 120000 }, async (t) => {
  const { folder, lead } = await openEvent(t);
  const file = (name) => join(folder, name);
  const refusals = [
    [['--bibs', '1-5,20001', '--out', file('a.pdf')], /no bib 20001/],
    [['--bibs', '1-999999999999', '--out', file('a.pdf')], /At most 24000/],
    [['--bibs', 'some', '--out', file('a.pdf')], /./],
    [['--bibs', '1-5', '--out', file('a.png')], /ends with \.pdf or \.svg/],
    [['--bibs', '1-5', '--out', '.svg'], /ends with \.pdf or \.svg/],
    [['--bibs', '1-5', '--code', 'ean', '--out', file('a.pdf')], /128, 39 or qr/],
    [['--card', '--code', '39', '--out', file('a.pdf')], /cannot be made in Code 39/],
    [['--badges', 'AB,TOOLONGABC', '--out', file('a.pdf')], /--badges AB,CD/],
    [['--out', file('a.pdf')], /--bibs/],
    [['--bibs', '1-5'], /--out/],
    [['--bibs', '1-3000', '--out', file('a.svg')], /125 files\..*\.pdf/],
    [['--bibs', '1-5', '--out', file('none/a.pdf')], /./],
  ];
  for (const [words, says] of refusals) {
    const answer = await lead.run(['barcodes', ...words]);
    assertRefused(answer, 2);
    assert.match(answer.stderr, says);
  }
  assert.deepEqual(readdirSync(folder).filter((name) => /^a/.test(name)), []);
  // One page of several is there already: none is written, unless --force says so.
  writeFileSync(file('b-2.svg'), 'mine');
  const words = ['barcodes', '--bibs', '1-60', '--out', file('b.svg')];
  assertRefused(await lead.run(words), 2);
  assert.equal(existsSync(file('b-1.svg')), false);
  assert.equal(readFileSync(file('b-2.svg'), 'utf8'), 'mine');
  await lead.must([...words, '--force']);
  assert.match(readFileSync(file('b-2.svg'), 'utf8'), /^<\?xml/);
});
