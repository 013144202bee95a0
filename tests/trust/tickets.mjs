// tickets.mjs: what the tests of tickets and beacons share.
import { spawnSync } from 'node:child_process';
import { existsSync, readFileSync, readdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import assert from 'node:assert/strict';
import { Station, atEnd, makeEvent, scratch, told } from '../field.mjs';
import { Hall } from '../net/net.mjs';

export const DONE = 0, NO = 1, WRONG = 2, MACHINE = 3; // exit status

// A hall with `count` hosts and a lead on the first, running unless told not to. place(i, name) is a
// station on host i that has no folder yet. `unsaid`: the lead's admit does not say where it is.
export async function openLead(t, count,
  { run = true, unsaid = false, ipv6 = false, before = () => {} } = {}) {
  const hall = new Hall(t, count);
  const folder = scratch(t);
  if (ipv6) hall.onlyIpv6();
  const places = hall.places();
  const [here] = places;
  const [lead] = await makeEvent(folder, [unsaid ? { ...here, listen: '0.0.0.0:0' } : here]);
  lead.listen = here.listen;
  const stations = [lead];
  atEnd(t, async () => {
    for (const station of stations) if (station.alive) await station.kill();
  });
  const place = (i, name, where = places[i - 1]) => {
    const dir = join(folder, `${name.replaceAll(' ', '')}-${stations.length}`);
    const station = new Station({ ...where, name, dir });
    stations.push(station);
    return station;
  };
  await before(hall, lead);
  if (run) await lead.start();
  return { hall, folder, lead, place };
}

// Makes a ticket; gives its text.
export async function ticketFor(lead, name, words = [], options = {}) {
  const answer = await lead.must(['ticket', name, ...words, '--json'], options);
  const { tickets } = answer.json();
  assert.equal(tickets.length, 1, told(answer));
  return tickets[0].text;
}

// As somebody types it from paper: small letters, groups, and look-alikes.
export function typed(text) {
  let zero = 0;
  let one = 0;
  const other = text.toLowerCase()
    .replace(/0/g, () => '0oO'[(zero += 1) % 3])
    .replace(/1/g, () => '1iLl'[(one += 1) % 4]);
  return other.match(/.{5}/g).map((group, i) => group + (i % 5 === 4 ? '\n' : ' ')).join('');
}

// `join` on the station's own host.
export const joinWith = (station, text, words = [], options = {}) =>
  station.run(['join', text, ...words], { host: station.host, ...options });

export function assertSays(answer, status, ...says) {
  assert.equal(answer.status, status, told(answer));
  const [sentence] = answer.stderr.split('\n');
  assert.match(sentence, /^[A-Z].*[.?!]$/, `not a sentence: ${told(answer)}`);
  for (const say of says) assert.match(sentence, say, told(answer));
}

export const library = readdirSync('/usr/lib')
  .map((part) => `/usr/lib/${part}/faketime/libfaketime.so.1`).find(existsSync);
// The wall clock alone is off by that much.
export const clockOff = (by) => ({
  LD_PRELOAD: library, FAKETIME: by, FAKETIME_DONT_FAKE_MONOTONIC: '1', DONT_FAKE_MONOTONIC: '1',
});

function output(file, words) {
  const done = spawnSync(file, words, { encoding: 'utf8' });
  assert.equal(done.status, 0, `${file} ${words.join(' ')}: ${done.stderr}${done.error ?? ''}`);
  return done.stdout;
}

// The QR codes in a picture, read by an outside program.
const readPicture = (file) =>
  output('zbarimg', ['-q', '--raw', '-Sdisable', '-Sqrcode.enable', file]).split('\n')
    .filter(Boolean);

export function readSvg(file) {
  const picture = `${file}.png`;
  output('rsvg-convert', ['--dpi-x', '200', '--dpi-y', '200', '-o', picture, file]);
  return readPicture(picture);
}

// The slips of a page (2 x 4, in mm), one picture each, as a person scans them.
export function readSheet(file) {
  const page = readFileSync(file, 'utf8');
  const whole = 'width="210mm" height="297mm" viewBox="0 0 210 297"';
  assert.ok(page.includes(whole), 'not a page in A4');
  return Array.from({ length: 8 }, (_, i) => {
    const view = `${10 + 95 * (i % 2)} ${10 + 65 * Math.floor(i / 2)} 95 65`;
    const slip = `${file}-${i}.slip.svg`;
    writeFileSync(slip, page.replace(whole, `width="95mm" height="65mm" viewBox="${view}"`));
    const picture = `${slip}.png`;
    output('rsvg-convert', ['--dpi-x', '200', '--dpi-y', '200', '-o', picture, slip]);
    const read = spawnSync('zbarimg', ['-q', '--raw', '-Sdisable', '-Sqrcode.enable', picture],
      { encoding: 'utf8' });
    assert.ok(read.status === 0 || read.status === 4, read.stderr); // 4: there is no code
    return read.stdout.split('\n').filter(Boolean);
  }).flat();
}

// The QR code that a terminal would show, of half blocks, as a picture of 4 x 4 dots a module.
// `ink` and `paper` are the shades that the terminal gives them.
export function readTerminal(text, file, { ink = 0, paper = 255 } = {}) {
  const rows = text.split('\n').filter((line) => line.startsWith('\x1b[38;5;16;48;5;231m'))
    .map((line) => [...line.replace(/\x1b\[[0-9;]*m/g, '')]);
  assert.ok(rows.length > 10, 'no QR code in the text');
  const parts = { ' ': [0, 0], '▀': [1, 0], '▄': [0, 1], '█': [1, 1] };
  const shades = rows.flatMap((row) => [0, 1].map((half) => row.map((c) => {
    assert.ok(parts[c], `not a half block: ${JSON.stringify(c)}`);
    return parts[c][half] ? ink : paper;
  })));
  const each = (list) => list.flatMap((item) => [item, item, item, item]);
  const dots = each(shades.map((row) => each(row)));
  const head = `P5 ${dots[0].length} ${dots.length} 255\n`;
  writeFileSync(file, Buffer.concat([Buffer.from(head), Buffer.from(dots.flat())]));
  return readPicture(file);
}
