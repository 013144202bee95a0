// ticket.mjs: joining with a ticket, as people do it, on real links: from nothing to the first chip,
// and each way in which a ticket is no good.
import test from 'node:test';
import assert from 'node:assert/strict';
import { cpSync, existsSync, mkdirSync, readFileSync, readdirSync, rmSync, statSync } from 'node:fs';
import { join } from 'node:path';
import { Station, agree, atEnd, makeEvent, now, sleep, told, until } from '../field.mjs';
import { enterNamespaces } from '../namespaces.mjs';
import { DONE, MACHINE, NO, WRONG, assertSays, clockOff, joinWith, library, openLead,
  readSheet, readSvg, readTerminal, ticketFor, typed } from './tickets.mjs';

await enterNamespaces(import.meta.url, { net: true });

const listOf = async (station) => (await station.json(['ticket', 'list'])).tickets;
const alarmsOf = async (station) => (await station.status()).alarms.map(({ name }) => name);

test('from nothing to the first chip', async (t) => {
  const { folder, lead, place } = await openLead(t, 3);
  const made = now();
  const text = await ticketFor(lead, 'Table 1', ['--bibs', '1001-2000']);
  assert.match(text, /^[0-9A-HJKMNP-TV-Z]{100}$/, 'not for a QR code of letters and digits');
  const table = place(2, 'Table 1');
  const started = now();
  const joined = await joinWith(table, typed(text));
  assert.equal(joined.status, DONE, told(joined));
  assert.match(joined.stdout, /Table 1 is let in to "Kettle Hill Run", with bibs 1001-2000/);
  const { record } = await table.json(['issue', '1001']); // no node runs there yet
  const ended = now();
  t.diagnostic(`joined and first chip recorded ${Math.round(ended - started)} ms after the ticket ` +
    `was typed, ${Math.round(ended - made)} ms after it was asked for`);
  assert.ok(ended - made < 60000, 'a minute is too long');

  await table.start(); // and it finds the lead by itself
  await until('all agree', 15000, () => agree([lead, table]));
  assert.equal((await lead.json(['ask', '1001'])).issues[0].record, record);
  const [ticket] = await listOf(lead);
  assert.equal(ticket.state, 'used');
  assert.equal(ticket.used_by, 'Table 1');
  assert.equal((await table.json(['verify', '--every'])).sound, true);

  // by a file, as a reader, under another name than the ticket's
  const file = join(folder, 'desk.ticket');
  await lead.must(['ticket', 'Desk', '--role', 'reader', '--out', file]);
  assert.equal(statSync(file).mode & 0o777, 0o600);
  const desk = place(3, 'Information');
  const answer = await joinWith(desk, file, ['--name', 'Information']);
  assert.equal(answer.status, DONE, told(answer));
  const status = await desk.status();
  assert.equal(status.station, 'Information');
  assertSays(await desk.run(['issue', '5']), NO, /may only read/);
});

test('tickets that are no good, each with its sentence', async (t) => {
  const { hall, folder, lead, place } = await openLead(t, 3);
  const [text, other] = [await ticketFor(lead, 'Table 1'), await ticketFor(lead, 'Table 2')];
  const table = place(2, 'Table 1');
  assert.equal((await joinWith(table, text)).status, DONE);

  // used
  const late = place(2, 'Table 2');
  assertSays(await joinWith(late, text), NO, /used already, by Table 1 at \d\d:\d\d/);
  // the folder that has a station
  assertSays(await joinWith(table, other), WRONG, /has joined already, as Table 1/);
  // a name that is taken
  assertSays(await joinWith(late, other, ['--name', 'lead']), WRONG, /called lead already/);
  // mistyped: nothing is asked, and nothing made
  const fresh = place(2, 'Table 3');
  const wrong = other.slice(0, 32) + (other[32] === '7' ? '8' : '7') + other.slice(33);
  assertSays(await joinWith(fresh, typed(wrong)), WRONG, /The 7th group of the ticket is wrong/);
  const turned = other.slice(0, 60) + [...other.slice(60, 65)].reverse().join('') + other.slice(65);
  assertSays(await joinWith(fresh, turned), WRONG, /The 13th group of the ticket is wrong/);
  assertSays(await joinWith(fresh, typed(other).slice(0, -7)), WRONG, /19 groups.*should have 20/);
  assertSays(await joinWith(fresh, 'no-such.ticket'), WRONG, /no file no-such\.ticket/);
  assert.ok(!existsSync(fresh.dir), 'a mistyped ticket makes a folder');
  // cancelled
  await lead.must(['ticket', 'cancel', 'table 2', '--reason', 'lost']);
  assertSays(await joinWith(late, other), NO, /cancelled this ticket at \d\d:\d\d/);
  assertSays(await lead.run(['ticket', 'cancel', 'Table 2']), NO, /cancelled already/);
  assertSays(await lead.run(['ticket', 'cancel', 'Table 1']), NO, /used already, by Table 1/);
  assertSays(await lead.run(['ticket', 'cancel', 'Table 77']), NO, /no ticket for Table 77/);
  assertSays(await table.run(['ticket', 'Table 9']), NO, /Only a lead's station makes/);
  assertSays(await lead.run(['ticket', 'Table 1']), WRONG, /a station called Table 1 already/);
  // a lead's code is no ticket
  const { text: code } = (await lead.must(['ticket', 'lead', '--json'])).json();
  assertSays(await joinWith(fresh, code), WRONG, /lead's code and no ticket/);
  assertSays(await joinWith(fresh, other, ['--lead', other]), WRONG, /Behind --lead goes/);
  // nobody there
  const open = await ticketFor(lead, 'Table 4');
  await lead.stop();
  assertSays(await joinWith(fresh, open), MACHINE, /does not answer at 10\.77\.0\.1:7117/);
  // another event's lead at that address
  mkdirSync(join(folder, 'elsewhere'));
  const [stranger] = await makeEvent(join(folder, 'elsewhere'), hall.places().slice(0, 1));
  atEnd(t, () => stranger.alive && stranger.kill());
  await stranger.start();
  assertSays(await joinWith(fresh, open), WRONG, /not the lead who made this ticket/);
  await stranger.stop();
  await lead.start();
  assert.equal((await joinWith(fresh, open)).status, DONE, 'the folder is spoilt');
});

test('tickets that the lead has not heard of, too often', async (t) => {
  const { lead, place, folder } = await openLead(t, 3, { run: false });
  const copy = join(folder, 'older');
  cpSync(lead.dir, copy, { recursive: true });
  const lost = await ticketFor(lead, 'Table 1'); // made by a folder that is put back to before
  const good = await ticketFor(new Station({ ...lead, dir: copy }), 'Table 2');
  const older = place(1, 'Lead');
  older.dir = copy;
  await older.start();
  const table = place(2, 'Table 1');
  for (let i = 0; i < 5; i += 1) {
    assertSays(await joinWith(table, lost), WRONG, /does not know this ticket/);
  }
  assertSays(await joinWith(table, lost), NO, /Too many tickets.*half a minute/);
  // whoever guesses learns nothing meanwhile, not even from a good one; others are let in
  assertSays(await joinWith(table, good), NO, /Too many tickets/);
  assert.ok((await alarmsOf(older)).includes('tickets'), 'no alarm');
  const elsewhere = place(3, 'Table 2');
  assert.equal((await joinWith(elsewhere, good)).status, DONE);
  await until('the wait is over', 20000, async () => {
    await sleep(2000);
    return /does not know/.test((await joinWith(table, lost)).stderr);
  });
});

test('a ticket that is over, and clocks that differ', { skip: !library && 'no faketime' },
  async (t) => {
    const { lead, place } = await openLead(t, 2, { run: false });
    const over = await ticketFor(lead, 'Table 1', ['--expires', '1'], { env: clockOff('-3h') });
    const good = await ticketFor(lead, 'Table 2', ['--expires', '2']);
    assertSays(await lead.run(['ticket', 'Table 3', '--expires', '2020-01-01']), WRONG, /the past/);
    assertSays(await lead.run(['ticket', 'Table 3', '--expires', 'soon']), WRONG, /takes hours/);
    await lead.start();
    const table = place(2, 'Table 1');
    assertSays(await joinWith(table, over), NO, /good until \d{4}-\d\d-\d\d.*make a new one/);
    await lead.stop();
    await lead.start({ env: clockOff('+5h') });
    assertSays(await joinWith(table, good), NO, /lead's clock says.*this laptop's says/);
    await lead.stop();
    await lead.start();
    assert.equal((await joinWith(table, good)).status, DONE);
    const states = (await listOf(lead)).map(({ name, state }) => `${name} ${state}`);
    assert.deepEqual(states, ['Table 1 expired', 'Table 2 used']);
  });

test('the answer is lost, and the same command is given again', async (t) => {
  const { hall, lead, place } = await openLead(t, 2);
  const text = await ticketFor(lead, 'Table 1', ['--bibs', '1001-2000']);
  const table = place(2, 'Table 1');
  // handshakes are smaller, and the grant is larger than this
  hall.drop(2, ['tcp sport 7117 meta length > 226']);
  const first = await joinWith(table, text);
  assertSays(first, MACHINE, /takes the call and says nothing|the line broke|does not answer/);
  assert.ok(hall.dropped(2) > 0, 'nothing was lost');
  assert.equal((await listOf(lead))[0].state, 'used', 'it was not let in: nothing was tested');
  const before = (await lead.status()).records;
  hall.drop(2, []);
  const again = await joinWith(table, text);
  assert.equal(again.status, DONE, told(again));
  assert.equal((await lead.status()).records, before, 'it was let in twice');
  await table.must(['issue', '1001']);
  // and once more, when it is there: refused politely
  assertSays(await joinWith(table, text), WRONG, /has joined already/);
});

// A second lead on host 2, let in by files, who holds what the first one holds.
async function withSecondLead(t, count) {
  const field = await openLead(t, count);
  const { lead, place, folder } = field;
  const second = place(2, 'Second');
  const [request, grant] = [join(folder, 'second.request'), join(folder, 'second.grant')];
  await second.must(['join', '--name', 'Second', '--request', request, '--listen', second.listen]);
  await lead.must(['admit', request, '--out', grant, '--role', 'lead']);
  await second.must(['join', '--grant', grant]);
  await second.start();
  await until('the leads agree', 20000, () => agree([lead, second]));
  return { ...field, second };
}

test('the second lead honours the tickets of the first, whose laptop is dead', async (t) => {
  const { lead, second, place, folder } = await withSecondLead(t, 4);
  const file = join(folder, 'table1.ticket');
  await lead.must(['ticket', 'Table 1', '--bibs', '1-500', '--out', file]);
  const text = await ticketFor(lead, 'Table 2', ['--bibs', '501-1000']);
  const third = await ticketFor(lead, 'Table 3');
  await until('the leads agree', 10000, () => agree([lead, second]));
  await lead.kill();
  const [one, two] = [place(3, 'Table 1'), place(4, 'Table 2')];
  const started = now();
  const byFile = await joinWith(one, file);
  assert.equal(byFile.status, DONE, told(byFile));
  t.diagnostic(`by file ${Math.round(now() - started)} ms, the first lead dead`);
  const { text: code } = (await second.must(['ticket', 'lead', '--json'])).json();
  assert.match(code, /^[0-9A-HJKMNP-TV-Z]{80}$/);
  const byCode = await joinWith(two, typed(text), ['--lead', typed(code)]);
  assert.equal(byCode.status, DONE, told(byCode));
  await one.must(['issue', '1']);
  await two.must(['issue', '501']);
  assertSays(await joinWith(place(4, 'Table 2'), text, ['--lead', code]), NO,
    /used already, by Table 2/);
  // the second lead cancels what the first made
  await second.must(['ticket', 'cancel', 'Table 3']);
  await lead.start();
  for (const station of [one, two]) await station.start();
  await until('all agree', 20000, () => agree([lead, second, one, two]));
  assertSays(await joinWith(place(4, 'Table 3'), third), NO, /cancelled this ticket/);
  assert.deepEqual((await listOf(lead)).map(({ state }) => state), ['used', 'used', 'cancelled']);
  assert.deepEqual((await alarmsOf(lead)).filter((name) => name.startsWith('ticket_')), []);
});

test('two leads apart let in two stations with one ticket', async (t) => {
  const { hall, lead, second, place } = await withSecondLead(t, 4);
  const text = await ticketFor(lead, 'Table 1');
  const { text: code } = (await second.must(['ticket', 'lead', '--json'])).json();
  await until('the leads agree', 10000, () => agree([lead, second]));
  hall.dropFrom(1, [2, 4]);
  hall.dropFrom(2, [1, 3]);
  const [one, two] = [place(3, 'Table 1'), place(4, 'Thief')];
  assert.equal((await joinWith(one, text)).status, DONE);
  const other = await joinWith(two, text, ['--lead', code, '--name', 'Thief']);
  assert.equal(other.status, DONE, told(other));
  hall.drop(1, []);
  hall.drop(2, []);
  await until('both leads are told', 20000, async () => {
    for (const station of [lead, second]) {
      const { alarms } = await station.status();
      const said = alarms.find(({ name }) => name === 'ticket_twice')?.say ?? '';
      if (!/Table 1 and Thief/.test(said)) return false;
    }
    return true;
  });
  await until('the leads agree', 10000, () => agree([lead, second]));
});

test('twenty tables and three spares on paper', async (t) => {
  const { folder, lead, place } = await openLead(t, 2, { run: false });
  const out = join(folder, 'paper');
  const answer = await lead.must(['ticket', '--tables', '1-20', '--spare', '3', '--bibs-each',
    '700', '--out', out, '--json']);
  const { tickets, sheets } = answer.json();
  assert.equal(tickets.length, 23);
  assert.equal(new Set(tickets.map(({ text }) => text)).size, 23);
  assert.equal(sheets.length, 3);
  // numbers follow each other, and step over the lead's own 1-1000 and the late ones
  assert.equal(tickets[0].bibs, '1001-1700');
  assert.equal(tickets[1].bibs, '1701-2400');
  assert.equal(tickets[20].bibs, '', 'a spare has numbers');
  const read = sheets.flatMap(readSheet);
  assert.deepEqual(read.sort(), tickets.map(({ text }) => text).sort());
  for (const sheet of sheets) {
    const svg = readFileSync(sheet, 'utf8');
    for (const { name, text } of tickets.filter((one) => svg.includes(`>${one.name}<`))) {
      assert.ok(svg.includes(text.match(/.{5}/g).slice(0, 5).join(' ')), `no groups for ${name}`);
    }
  }
  assert.equal(readdirSync(out).filter((name) => name.endsWith('.ticket')).length, 23);
  assertSays(await lead.run(['ticket', '--tables', '1-20']), WRONG, /ticket for Table 1/);
  assertSays(await lead.run(['ticket', '--tables', '21-40', '--bibs-each', '700']), WRONG,
    /not enough numbers/);

  // days later, in the hall: any of them
  await lead.start();
  const table = place(2, 'Table 17');
  const joined = await joinWith(table, join(out, 'Table-17.ticket'));
  assert.equal(joined.status, DONE, told(joined));
  await table.must(['issue', String(1001 + 16 * 700)]);
});

test('a QR code on dark and light terminals, and as SVG', async (t) => {
  const { folder, lead } = await openLead(t, 1, { run: false });
  const name = '<Table> & "1"';
  const file = join(folder, 'one.svg');
  const { stdout } = await lead.must(['ticket', name, '--svg', file]);
  const groups = stdout.split('\n').filter((line) => /^ {4}([0-9A-Z]{5} ?){5}$/.test(line));
  const text = groups.join('').replaceAll(' ', '');
  assert.equal(text.length, 100);
  assert.deepEqual(readTerminal(stdout, join(folder, 'terminal.pgm')), [text]);
  assert.deepEqual(readSvg(file), [text]);
  assert.ok(readFileSync(file, 'utf8').includes('&lt;Table&gt; &amp; &quot;1&quot;'));
  // a ticket whose file cannot be written is good for nobody
  rmSync(file);
  const answer = await lead.run(['ticket', 'Table 2', '--out', join(folder, 'none', 'x.ticket')]);
  assertSays(answer, WRONG);
  const list = await listOf(lead);
  assert.deepEqual(list.map(({ state }) => state), ['open', 'cancelled']);
});
