// safe.mjs: who may ask the pages for what, on the wire and in a browser.
//
// The headers and their meaning: Content Security Policy Level 3 (W3C), Fetch Metadata (W3C), HTML
// (WHATWG) for what a form can send. That a Host that is not ours is refused is the known answer to
// DNS rebinding.
import { connect } from 'node:net';
import { createServer } from 'node:http';
import test from 'node:test';
import assert from 'node:assert/strict';
import { atEnd, must, run, scratch, until } from '../field.mjs';
import { ask, assertSameOrigin, openBrowser, openFloor, openPage } from './browser.mjs';

const json = { 'Content-Type': 'application/json' };
const body = JSON.stringify({ verb: 'note', arguments: ['from a page'] });

test('only pages of this node get something done', { timeout: 120000 }, async (t) => {
  const [lead] = await openFloor(t, { tables: 0 });
  const { port } = lead;
  const origin = `http://127.0.0.1:${port}`;
  const post = (headers, path = '/verb', text = body) =>
    ask(port, { method: 'POST', path, headers: { ...json, ...headers }, body: text });
  const records = async () => (await lead.status()).records;
  const before = await records();

  await t.test('with the right headers it is done', async () => {
    const answer = await post({ Origin: origin });
    assert.equal(answer.status, 200, answer.text);
    assert.equal(JSON.parse(answer.text).status, 0, answer.text);
    assert.equal(await records(), before + 1);
  });
  const refused = [
    ['another Host', { Host: 'evil.example', Origin: origin }, 421],
    ['our address at another port', { Host: '127.0.0.1:1', Origin: origin }, 421],
    ['a name that only begins like ours', { Host: `127.0.0.1:${port}.evil.example`, Origin: origin }, 421],
    ['no Origin', {}, 403],
    ['another Origin', { Origin: 'http://evil.example' }, 403],
    ['an opaque Origin', { Origin: 'null' }, 403],
    ['our address in another scheme', { Origin: `https://127.0.0.1:${port}` }, 403],
    ['another name of ours', { Origin: `http://localhost:${port}` }, 403],
    ['another site, as the browser says', { Origin: origin, 'Sec-Fetch-Site': 'cross-site' }, 403],
    ['what a form can send', { Origin: origin, 'Content-Type': 'text/plain' }, 415],
    ['a type that begins like ours', { Origin: origin, 'Content-Type': 'application/jsonp' }, 415],
  ];
  for (const [what, headers, status] of refused) {
    await t.test(`${what}: ${status}`, async () => {
      const was = await records();
      for (const path of ['/verb', '/desk']) {
        const answer = await post(headers, path, path === '/desk' ? '{"text":"42"}' : body);
        assert.equal(answer.status, status, answer.text);
      }
      assert.equal(await records(), was, 'nothing was recorded');
    });
  }
  await t.test('other methods change nothing', async () => {
    const was = await records();
    for (const method of ['PUT', 'DELETE', 'PATCH', 'OPTIONS']) {
      const answer = await ask(port, { method, path: '/verb', headers: { ...json, Origin: origin }, body });
      assert.equal(answer.status, 405, method);
    }
    for (const path of ['/verb', '/desk', `/verb?${encodeURIComponent(body)}`]) {
      assert.equal((await ask(port, { path })).status, 404);
    }
    assert.equal(await records(), was);
  });
  await t.test('verbs and words that are not for pages', async () => {
    const was = await records();
    for (const wrong of [
      { verb: 'event new', arguments: [] }, { verb: 'ticket', arguments: ['Table 9', '--out', '/tmp/x'] },
      { verb: 'ticket', arguments: ['--tables', '1', '--sheet=/tmp/x.svg'] }, { verb: 'ticket lead', arguments: [] },
      { verb: 'run', arguments: [] }, { verb: 'export', arguments: ['/tmp/x.csv'] },
      { verb: 'retire', arguments: ['Table 1', '--dead', '--passphrase-file', '/etc/hostname'] },
      { verb: 'note', arguments: [7] }, { verb: 'note', arguments: 'x' }, { verb: 7 }, [], 'note', null,
    ]) {
      const answer = await post({ Origin: origin }, '/verb', JSON.stringify(wrong));
      assert.equal(answer.status, 400, JSON.stringify(wrong));
    }
    for (const text of ['', '{', '{"verb":"note","verb":"ask"}']) {
      assert.equal((await post({ Origin: origin }, '/verb', text)).status, 400, text);
    }
    assert.equal((await post({ Origin: origin }, '/desk', '[]')).status, 400);
    assert.equal(await records(), was);
  });
  await t.test('a body of more than 64 KiB', async () => {
    const answer = await post({ Origin: origin }, '/verb', JSON.stringify({
      verb: 'note', arguments: ['x'.repeat(70000)] }));
    assert.equal(answer.status, 413);
  });
  await t.test('every answer says what a page may do', async () => {
    for (const path of ['/', '/floor', '/ask', '/app.js', '/style.css', '/nothing', '/../main.c']) {
      const { headers } = await ask(port, { path });
      assert.equal(headers['content-security-policy'],
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; " +
        "img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; form-action 'none'", path);
      assert.equal(headers['x-content-type-options'], 'nosniff');
      assert.equal(headers['referrer-policy'], 'no-referrer');
      assert.equal(headers['cache-control'], 'no-store');
    }
    assert.equal((await ask(port, { headers: { 'Sec-Fetch-Site': 'cross-site' }, path: '/events' })).status, 403);
  });
  await t.test('nobody else can reach it', async () => {
    const listening = await listens(port);
    assert.deepEqual(listening, [`127.0.0.1:${port}`]);
  });
});

// Where something listens at that port, as the kernel has it (proc(5), /proc/net/tcp).
async function listens(port) {
  const { readFileSync } = await import('node:fs');
  const hex = Number(port).toString(16).toUpperCase().padStart(4, '0');
  const found = [];
  for (const file of ['/proc/net/tcp', '/proc/net/tcp6']) {
    for (const line of readFileSync(file, 'utf8').split('\n').slice(1)) {
      const [, local, , state] = line.trim().split(/\s+/);
      if (state !== '0A' || !local.endsWith(`:${hex}`)) continue;
      found.push(local.startsWith('0100007F:') ? `127.0.0.1:${port}` : local);
    }
  }
  return found;
}

test('a page of another site gets nothing done and learns nothing', { timeout: 60000 }, async (t) => {
  const [lead] = await openFloor(t, { tables: 0 });
  const evil = createServer((_, answer) => answer.setHeader('Content-Type', 'text/html').end('<p>evil'));
  await new Promise((done) => evil.listen(0, '127.0.0.1', done));
  atEnd(t, () => new Promise((done) => { evil.closeAllConnections(); evil.close(done); }));
  const browser = await openBrowser(t);
  const page = await browser.context.newPage();
  await page.goto(`http://127.0.0.1:${evil.address().port}/`);
  const before = (await lead.status()).records;
  const outcomes = await page.evaluate(async ({ base, text }) => {
    const tries = [];
    const attempt = async (options) => {
      try {
        const answer = await fetch(`${base}verb`, { method: 'POST', body: text, ...options });
        tries.push(`${answer.type} ${answer.status}`);
      } catch (error) { tries.push(error.name); }
    };
    await attempt({ headers: { 'Content-Type': 'application/json' } });
    await attempt({ mode: 'no-cors' });
    await attempt({ mode: 'no-cors', headers: { 'Content-Type': 'text/plain' } });
    const source = new EventSource(`${base}events?of=floor`);
    tries.push(await new Promise((done) => {
      source.addEventListener('status', () => done('heard'));
      source.addEventListener('error', () => done('refused'));
    }));
    const frame = document.createElement('iframe');
    frame.src = base;
    document.body.append(frame);
    await new Promise((done) => { frame.onload = done; setTimeout(done, 3000); });
    try { tries.push(frame.contentDocument ? 'own' : 'none'); } catch { tries.push('none'); }
    return tries;
  }, { base: lead.page, text: body });
  // The answers say Cross-Origin-Resource-Policy: same-origin (Fetch, WHATWG), so that not even an
  // opaque one is handed over.
  assert.deepEqual(outcomes, ['TypeError', 'TypeError', 'TypeError', 'refused', 'none']);
  assert.equal((await lead.status()).records, before, 'nothing was recorded');
});

test('a name that is markup is text on every page', { timeout: 90000 }, async (t) => {
  const evil = '<img src=x onerror=document.title=1>';
  const [lead] = await openFloor(t, { tables: 0 });
  const dir = `${scratch(t)}/evil`;
  await must(['--dir', dir, 'join', '--name', evil, '--request', `${dir}.request`]);
  await lead.must(['admit', `${dir}.request`, '--out', `${dir}.grant`, '--bibs', '7001-7100']);
  await must(['--dir', dir, 'join', '--grant', `${dir}.grant`]);
  await lead.must(['issue', '7001', '--reason', evil]);
  await must(['--dir', dir, 'issue', '7001', '--reason', evil, '--helper', '<b>']);
  await must(['--dir', dir, 'carry', 'out', `${dir}.carry`]);
  await lead.must(['carry', 'in', `${dir}.carry`]);
  await lead.must(['hold', '7002', '--reason', evil]);
  const browser = await openBrowser(t);
  const floor = await openPage(browser, `${lead.page}floor`);
  await floor.getByRole('rowheader', { name: evil }).waitFor();
  await floor.locator('#doubles article', { hasText: evil }).waitFor();
  await floor.locator('#holds td', { hasText: evil }).waitFor();
  await floor.getByRole('button', { name: /^Settle/ }).click();
  await floor.locator('dialog label', { hasText: evil }).waitFor();
  const asked = await openPage(browser, `${lead.page}ask#7001`);
  await asked.locator('.history', { hasText: evil }).waitFor();
  const hash = await openPage(browser, `${lead.page}ask#${encodeURIComponent(evil)}`);
  await hash.locator('#answer .error').waitFor();
  const percent = await openPage(browser, `${lead.page}ask#%`);
  await percent.locator('#answer .error').waitFor();
  await percent.locator('#station', { hasText: lead.name }).waitFor();
  for (const page of [floor, asked, hash, percent]) {
    assert.equal(await page.locator('img, b:text-is("<b>") b').count(), 0);
    assert.notEqual(await page.title(), '1');
    assert.deepEqual(page.wrong, []);
  }
  // The policy holds even if markup got in: a script that is put into the page does not run.
  const ran = await floor.evaluate(() => {
    const script = document.createElement('script');
    script.textContent = 'window.ran = true';
    document.head.append(script);
    return window.ran === true;
  });
  assert.equal(ran, false);
  assertSameOrigin(browser.seen, [lead]);
});

test('slow and silent connections make room, and the desk goes on', { timeout: 120000 }, async (t) => {
  const [lead] = await openFloor(t, { tables: 0 });
  const sockets = [];
  let ended = 0;
  for (let i = 0; i < 40; i++) {
    const socket = connect(Number(lead.port), '127.0.0.1');
    socket.on('error', () => {});
    socket.on('close', () => ended++);
    socket.write('POST /verb HTTP/1.1\r\n');
    sockets.push(socket);
  }
  atEnd(t, () => sockets.forEach((socket) => socket.destroy()));
  const drip = setInterval(() => sockets.forEach((socket) => socket.writable && socket.write('X')), 2000);
  atEnd(t, () => clearInterval(drip));
  assert.equal((await ask(lead.port, { path: '/' })).status, 200);
  await until('they are dropped', 60000, () => ended === 40);
  assert.equal((await ask(lead.port, { path: '/' })).status, 200);
});

test('more pages than there is room for: the oldest make room', { timeout: 60000 }, async (t) => {
  const [lead] = await openFloor(t, { tables: 0 });
  const pages = [];
  for (let i = 0; i < 24; i++) {
    const socket = connect(Number(lead.port), '127.0.0.1');
    const page = { text: '', closed: false, socket };
    socket.setEncoding('utf8').on('data', (text) => (page.text += text));
    socket.on('error', () => {}).on('close', () => (page.closed = true));
    socket.write(`GET /events?of=floor,desk HTTP/1.1\r\nHost: 127.0.0.1:${lead.port}\r\n\r\n`);
    await until('it is told everything', 10000, () =>
      ['status', 'floor', 'desk'].every((name) => page.text.includes(`event: ${name}\n`)));
    pages.push(page);
  }
  atEnd(t, () => pages.forEach(({ socket }) => socket.destroy()));
  // Ended streams say so (RFC 9112, 7.1: the last chunk), and the connection may stay.
  const over = ({ text, closed }) => closed || text.endsWith('0\r\n\r\n');
  await until('the first are ended', 20000, () => pages.filter(over).length === 19);
  assert.deepEqual(pages.map(over), pages.map((_, i) => i < 19));
  await lead.issue([7]);
  await until('the others go on', 10000, () => pages.slice(19).every(({ text }) => text.includes('"issued":1')));
});

test('eight pages in one browser: each opens, and what is done at one of them is done', { timeout: 120000 }, async (t) => {
  const [lead] = await openFloor(t, { tables: 0 });
  const browser = await openBrowser(t);
  const pages = [];
  for (let i = 0; i < 8; i++) pages.push(await openPage(browser, lead.page));
  for (const [i, page] of pages.entries()) {
    await page.locator('#number').fill(`${i} is no bib`);
    await page.keyboard.press('Enter');
    await page.locator('#aside', { hasText: `${i}` }).waitFor();
  }
  await pages[0].locator('#number').fill('7');
  await pages[0].keyboard.press('Enter');
  for (const page of pages) await page.locator('#latest b', { hasText: '7' }).waitFor();
});

test('a port that is taken', { timeout: 60000 }, async (t) => {
  const [lead] = await openFloor(t, { tables: 0 });
  const other = `${scratch(t)}/other`;
  await must(['--dir', other, 'event', 'new', '--name', 'Mill Lane Run', '--bibs', '1-10', '--scheme',
    'own:1', '--station', 'Lead', '--unsealed', '--no-second-lead']);
  const answer = await run(['--dir', other, 'run', '--listen', '127.0.0.1:0', '--page', lead.port],
    { within_ms: 20000 });
  assert.equal(answer.status, 3, answer.stderr);
  assert.match(answer.stderr, /^No pages can be shown at port/);
  const bad = await run(['--dir', other, 'run', '--page', '70000'], { within_ms: 20000 });
  assert.equal(bad.status, 2, bad.stderr);
});
