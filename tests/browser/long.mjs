// long.mjs: a page that is left open for two days uses no more memory than after an hour, nor does
// the node that tells it things. Time is counted in events, not waited for: states are told at most
// once a second, so each event stands for at least that long.
//
// What a page holds is what the browser counts after it has collected its garbage (Chrome DevTools
// Protocol: HeapProfiler.collectGarbage, Performance.getMetrics); what the node holds is its
// resident memory (proc(5)).
import { readFileSync } from 'node:fs';
import { connect } from 'node:net';
import test from 'node:test';
import assert from 'node:assert/strict';
import { atEnd, until } from '../field.mjs';
import { ask, openBrowser, openFloor } from './browser.mjs';

// With AddressSanitizer, memory that was given back is not held for long, so that it can be told
// from memory that was not.
process.env.ASAN_OPTIONS = `${process.env.ASAN_OPTIONS ?? ''}:quarantine_size_mb=1`;

const EVENTS = Number(process.env.EVENTS ?? 4000);
const TWO_DAYS = 172800; // events, at one a second

// What a page holds when its garbage is gone.
async function held(page) {
  const door = page.door ??= await page.context().newCDPSession(page);
  await door.send('Performance.enable');
  for (let i = 0; i < 3; i++) await door.send('HeapProfiler.collectGarbage');
  const { metrics } = await door.send('Performance.getMetrics');
  const of = (name) => metrics.find((metric) => metric.name === name).value;
  return { heap: of('JSHeapUsedSize'), nodes: of('Nodes'), listeners: of('JSEventListeners') };
}

// Opens a page whose event source can be made to say more than the node does.
async function openSpoken(browser, url) {
  const page = await browser.context.newPage();
  page.wrong = [];
  page.on('pageerror', (error) => page.wrong.push(String(error)));
  await page.addInitScript(() => {
    window.last = {};
    window.EventSource = class extends EventSource {
      constructor(...words) {
        super(...words);
        window.source = this;
        for (const name of ['status', 'desk', 'floor']) {
          this.addEventListener(name, (event) => { if (!event.again) window.last[name] = event.data; });
        }
      }
    };
  });
  await page.goto(url);
  return page;
}

// Says `count` states, each a little different from the one before, and lets the page draw.
const say = (page, count) => page.evaluate(async (events) => {
  for (let i = 0; i < events; i++) {
    for (const [name, text] of Object.entries(window.last)) {
      const state = JSON.parse(text);
      if (name === 'status') state.records += i;
      if (name === 'status') state.unsafe = i % 3;
      if (name === 'floor') {
        state.issued = i % 1000;
        for (const table of state.tables) table.recent = i % 50;
        state.alarms = i % 5 === 0 ? [{ name: 'x', say: [`alarm ${i}`], count: 1 }] : [];
        state.map &&= { ...state.map, cells: `${1 + (i % 600)}cb${state.map.cells}` };
      }
      if (name === 'desk') {
        window.version = Math.max(window.version ?? 0, state.version) + 1;
        Object.assign(state, { version: window.version, aside: `aside ${i}`, say: `say ${i}`,
          sound: 'silent', question: i % 4 === 0 ? i + 1 : 0,
          choices: i % 4 === 0 ? [{ word: 'a', label: `answer ${i}` }] : [],
          latest: [{ bib: String(i), record: '00', time: '2026-05-15T09:00:00Z', chips: 1, half: false,
            undone: i % 2 === 0, say: `Chipped ${i}` }] });
      }
      const event = new MessageEvent(name, { data: JSON.stringify(state) });
      event.again = true;
      window.source.dispatchEvent(event);
    }
    if (i % 50 === 0) await new Promise((done) => requestAnimationFrame(done));
  }
}, count);

test('pages that are told things for two days', { timeout: 300000 }, async (t) => {
  const [lead, table] = await openFloor(t, { tables: 1 });
  await lead.issue([1, 2, 3]);
  await table.must(['hold', '9', '--reason', 'not paid']);
  const browser = await openBrowser(t);
  for (const [path, names] of [['', ['status', 'desk']], ['floor', ['status', 'floor']], ['ask#2', ['status']]]) {
    await t.test(`/${path}`, async () => {
      const page = await openSpoken(browser, `${lead.page}${path}`);
      await until('the first states', 20000, () =>
        page.evaluate((wanted) => wanted.every((name) => window.last[name]), names));
      const far = path.startsWith('ask') ? EVENTS / 4 : EVENTS; // it asks the node each time
      await say(page, far / 4);
      const at = [await held(page)];
      for (let i = 0; i < 2; i++) {
        await say(page, far);
        at.push(await held(page));
      }
      // What is only kept for a while is not there the second time.
      const grown = (name) => Math.min(at[1][name] - at[0][name], at[2][name] - at[1][name]);
      assert.ok(grown('nodes') < 100, `${grown('nodes')} nodes more after ${far} events`);
      assert.ok(grown('listeners') < 100, `${grown('listeners')} listeners more after ${far} events`);
      const two_days = grown('heap') / far * TWO_DAYS;
      assert.ok(two_days < 32 << 20, `${grown('heap')} bytes more after ${far} events`);
      assert.deepEqual(page.wrong, []);
      await page.close();
    });
  }
});

test('a node with pages open for two days', { timeout: 300000 }, async (t) => {
  const [lead] = await openFloor(t, { tables: 0, words: ['--gone', '1500'] });
  const { port, child } = lead;
  const memory = () => Number(/^VmRSS:\s+(\d+)/m.exec(readFileSync(`/proc/${child.pid}/status`, 'utf8'))[1]);
  const counts = { events: 0, connections: 0 };
  // A page that listens, and comes back after every so many events.
  const listen = (each) => {
    const socket = connect(Number(port), '127.0.0.1');
    let seen = 0;
    socket.setEncoding('utf8').on('error', () => {}).on('data', (text) => {
      const more = text.split('event: ').length - 1;
      counts.events += more;
      seen += more;
      if (seen >= each) socket.destroy();
    });
    socket.on('close', () => { if (child.exitCode === null && !counts.over) listen(each); });
    socket.write(`GET /events?of=floor,desk HTTP/1.1\r\nHost: 127.0.0.1:${port}\r\n\r\n`);
    counts.connections++;
  };
  atEnd(t, () => { counts.over = true; });
  listen(1e9);
  listen(5);
  const headers = { 'Content-Type': 'application/json', Origin: `http://127.0.0.1:${port}` };
  const work = async (count) => {
    for (let i = 0; i < count; i++) { // each is refused with a sound, and so is a new state
      const body = JSON.stringify({ text: `no bib ${i}` });
      assert.equal((await ask(port, { method: 'POST', path: '/desk', headers, body })).status, 200);
    }
  };
  await work(EVENTS / 4);
  const before = { memory: memory(), ...counts };
  await work(EVENTS);
  const events = counts.events - before.events;
  assert.ok(events > EVENTS, `${events} events`);
  assert.ok(counts.connections - before.connections > EVENTS / 20, `${counts.connections} connections`);
  const grown = memory() - before.memory;
  assert.ok(grown < 1024, `${grown} KiB more after ${events} events`);
});
