// floor.mjs: the floor and Ask in a real browser: a double that arrives, is settled with the bib in
// hand, and is gone; the node killed and started again under an open page; a reload in the middle;
// languages; and WCAG 2.2 AA as far as axe-core can see.
import test from 'node:test';
import assert from 'node:assert/strict';
import { readdirSync, readFileSync, renameSync, statSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { epcOf, must, scratch, stack, until } from '../field.mjs';
import { assertSameOrigin, faults, openBrowser, openFloor, openPage, scan, start } from './browser.mjs';

const figure = (page, text) => page.locator('.figure', { hasText: text }).locator('b').textContent();

test('a double arrives on the floor and is settled there', { timeout: 180000 }, async (t) => {
  const [lead, one, two] = await openFloor(t);
  const browser = await openBrowser(t);
  const floor = await openPage(browser, `${lead.page}floor`);
  await floor.getByText('No bib is chipped twice').waitFor();

  // Two tables that do not hear of each other chip the same bib.
  await two.stop();
  await lead.stop();
  const tag = (tid) => ['--tag', `${epcOf(1050)}/${tid}`];
  await one.must(['issue', '1050', ...tag('E280110520001111'), '--helper', 'AB']);
  await two.must(['issue', '1050', ...tag('E280110520002222'), '--reason', 'asked for', '--helper', 'CD']);
  await start(t, lead, lead);
  await start(t, two, lead);
  one.peers = [];
  await one.stop();
  await start(t, one, lead);

  const card = floor.locator('#doubles article');
  await card.waitFor();
  const text = await card.textContent();
  for (const wanted of ['1050', 'chipped twice', 'Table 1, AB', 'Table 2, CD', 'without knowing']) {
    assert.ok(text.includes(wanted), `${wanted} in ${text}`);
  }
  assert.equal(await figure(floor, 'to settle'), '1');

  await t.test('the wrong bib, and a chip that is not of it, are refused', async () => {
    await floor.getByRole('button', { name: /^Settle/ }).click();
    await floor.keyboard.type('1051');
    await floor.keyboard.press('Enter');
    await floor.getByText('That is another bib').waitFor();
    await floor.getByRole('button', { name: 'This chip stays' }).click();
    await floor.locator('dialog .error[role="alert"]', { hasText: 'another bib' }).waitFor();
    await floor.locator('#a_chip').fill('E280110520003333');
    await floor.keyboard.press('Enter');
    await floor.getByText('not among those of this bib').waitFor();
    await floor.getByRole('button', { name: 'Go back' }).click();
    assert.equal((await lead.status()).doubles, 1);
  });
  await t.test('with the right bib and its chip in hand it is settled', async () => {
    await floor.getByRole('button', { name: /^Settle/ }).click();
    await floor.keyboard.type('01050'); // as a scanner may read it
    await floor.keyboard.press('Enter');
    await floor.keyboard.type('e280110520002222');
    await floor.keyboard.press('Enter');
    await floor.getByText('It is the chip of Table 2, CD').waitFor();
    await floor.getByLabel('Destroyed').check();
    await floor.locator('#a_helper').fill('EF');
    await floor.getByRole('button', { name: 'This chip stays' }).click();
    await floor.getByText('No bib is chipped twice').waitFor();
    const bib = await lead.json(['ask', '1050']);
    assert.equal(bib.state, 'issued');
    const live = bib.issues.filter((issue) => issue.live);
    assert.deepEqual(live.map(({ table }) => table), ['Table 2']);
    const ended = bib.issues.find((issue) => !issue.live).ended;
    assert.equal(ended.chip, 'destroyed');
    await until('the table knows it, too', 20000, async () => (await one.status()).doubles === 0);
  });
  await t.test('Ask tells its whole history', async () => {
    const ask = await openPage(browser, `${lead.page}ask#1050`);
    await ask.locator('.history li').nth(2).waitFor();
    const words = await ask.locator('#answer').innerText();
    for (const wanted of ['Bib 1050', 'chipped', 'Table 1, AB', 'Table 2, CD', 'Cancelled.',
      'The old chip is destroyed', 'Time by the clock of Table 2, which agrees', 'E280110520001111']) {
      assert.ok(words.includes(wanted), `${wanted} in ${words}`);
    }
    await ask.locator('#asked').fill('E280110520001111');
    await ask.keyboard.press('Enter');
    await ask.getByText('on the list of one bib').waitFor();
    assert.deepEqual(ask.wrong, []);
    await ask.close();
  });
  await t.test('chips that one cannot tell apart by what was read are not picked', async () => {
    await two.stop();
    await one.must(['issue', '1070', '--tag', `${epcOf(1070)}/E280110520001070`]);
    await two.must(['issue', '1070', '--tag', epcOf(1070), '--reason', 'asked for']);
    await start(t, two, lead);
    await floor.getByRole('button', { name: /^Settle/ }).click();
    const read = async (chip, words) => {
      await floor.locator('#a_chip').fill(chip);
      await floor.keyboard.press('Enter');
      await floor.locator('dialog', { hasText: words }).waitFor();
      return floor.locator('input[name="keep"]:checked').count();
    };
    assert.equal(await read(epcOf(1070), 'Nobody can tell: both chips say that'), 0, 'the EPC alone');
    assert.equal(await read(`${epcOf(1070)}/E280110520001071`, 'the TID of the chip of Table 2'), 0);
    assert.equal(await read(`${epcOf(1070)}/E280110520001070`, 'It is the chip of Table 1'), 1);
    assert.equal(await read('E28011052000AAAA', 'not among those'), 0, 'what was picked is not kept');
    assert.equal(await read(`${epcOf(1070)}/e280110520001070`, 'It is the chip of Table 1'), 1);
    await floor.locator('#a_bib').fill('1070');
    await floor.getByRole('button', { name: 'This chip stays' }).click();
    await floor.getByText('No bib is chipped twice').waitFor();
  });
  await t.test('one chip on two bibs; the one that loses it needs a new chip, and is to be looked at', async () => {

    const tag = (bib) => ['--tag', `${epcOf(bib)}/E280110520001080`];
    await one.must(['issue', '1080', ...tag(1080)]);
    await two.must(['issue', '1081', ...tag(1081), '--reason', 'asked for']);
    const shared = floor.locator('#doubles article', { hasText: 'one chip on two bibs: 1080, 1081' });
    await shared.waitFor();
    await shared.getByRole('button', { name: 'Take it off bib 1081' }).click();
    await floor.getByRole('button', { name: 'Cancel this chip' }).click();
    await floor.getByText('Say why.').waitFor();
    await floor.locator('#a_reason').fill('it is on 1080');
    assert.deepEqual(await faults(floor), []);
    await floor.getByRole('button', { name: 'Cancel this chip' }).click();
    await floor.getByText('No bib is chipped twice').waitFor();
    await floor.locator('#looks', { hasText: 'needs a new chip: 1' }).getByRole('link', { name: '1081' }).waitFor();
  });
  await t.test('unseen, only when somebody says so', async () => {
    await two.stop();
    await one.issue([1060]);
    await two.must(['issue', '1060', '--reason', 'asked for']);
    await start(t, two, lead);
    await floor.getByRole('button', { name: /^Settle/ }).click();
    await floor.locator('dialog fieldset label', { hasText: 'Table 1' }).click();
    await floor.getByRole('button', { name: 'This chip stays' }).click();
    await floor.getByText('Scan the bib first').waitFor();
    await floor.getByLabel('Nobody has the bib').check();
    await floor.getByRole('button', { name: 'This chip stays' }).click();
    await floor.getByText('No bib is chipped twice').waitFor();
    assert.equal((await lead.json(['ask', '1060'])).state, 'issued');
  });
  assertSameOrigin(browser.seen, [lead]);
});

test('an open page outlives its node', { timeout: 120000 }, async (t) => {
  const [lead, one] = await openFloor(t, { tables: 1 });
  await lead.issue(stack(1, 20));
  const browser = await openBrowser(t);
  const floor = await openPage(browser, `${lead.page}floor`);
  const issued = (wanted) => until(`${wanted} chipped`, 20000, async () =>
    (await figure(floor, 'bibs are chipped')) === String(wanted));
  await issued(20);
  await lead.kill();
  await floor.locator('#lost:not([hidden])').waitFor();
  await one.issue(stack(1001, 30)); // while it was away
  await lead.issue(stack(21, 5));
  await start(t, lead, lead);
  await one.stop();
  await start(t, one, lead);
  await issued(55);
  await floor.locator('#lost').waitFor({ state: 'hidden' });
  await floor.reload();
  await issued(55);
  await one.issue(stack(1041, 10));
  await issued(65);
  const pointed = floor.locator('#legend li', { hasText: 'gap in a stack' });
  assert.equal(await pointed.count(), 0);
  await one.issue(stack(1034, 4)); // 1031-1033 and 1038-1040 are left between
  await pointed.waitFor();
  assert.match(await pointed.textContent(), /: 6$/);
  await t.test('what was left out on purpose is no gap', async () => {
    await lead.must(['hold', '1031', '1033', '--missing', '--reason', 'not in the box']);
    await until('four are left', 20000, async () => / 4$/.test(await pointed.textContent()));
  });
});

test('lists: what one that is made now lacks, which is out, what changed since', { timeout: 120000 }, async (t) => {
  const [lead, one, two] = await openFloor(t);
  const browser = await openBrowser(t);
  const floor = await openPage(browser, `${lead.page}floor`);
  await one.issue(stack(1001, 3));
  await two.must(['close']);
  await until('all is here', 20000, async () => (await lead.status()).records === (await one.status()).records);
  await floor.getByText('Table 1: connected, not closed').waitFor();
  await two.stop();
  await until('closed, and nothing of it is missing', 20000, async () =>
    (await floor.locator('#not_closed li').allTextContents()).join() === 'Table 1: connected, not closed');
  await one.stop();
  await floor.locator('#not_closed', { hasText: /Table 1: last heard \d\d:\d\d:\d\d, not closed, fetch its stick/ }).waitFor();
  // `export` says the same: status 1, and that table.
  const folder = scratch(t);
  const list = await lead.run(['export', `${folder}/list.csv`, '--json']);
  assert.deepEqual(list.json().not_closed.map(({ name }) => name), ['Table 1']);

  await floor.getByText('No chip list was handed over yet').waitFor();
  await lead.run(['handover', '--out', `${folder}/out.csv`]);
  await floor.getByText(/^List 1 with 3 bibs was handed over by Lead.*Nothing has changed since/).waitFor();
  await lead.issue([7]);
  await lead.must(['hold', '9', '--reason', 'wet']);
  await floor.getByRole('button', { name: 'Show what changed' }).click();
  await floor.getByText('2 bibs have changed since list 1:').waitFor();
  assert.deepEqual(await floor.locator('#since li').allTextContents(), ['7', '9']);
  await start(t, one, lead, ['--encoder', 'rehearse']);
  const desk = await openPage(browser, one.page);
  await desk.locator('#safe', { hasText: /Chip list 1 is out since \d\d:\d\d\. Tell the lead/ }).waitFor();
  assert.deepEqual([...floor.wrong, ...desk.wrong], []);
});

// All that is in the files of a folder.
function bytesIn(folder) {
  return readdirSync(folder).map((name) => join(folder, name)).filter((path) => statSync(path).isFile())
    .map((path) => readFileSync(path, 'latin1')).join('');
}

test('tickets are printed from the floor, and are in no file', { timeout: 120000 }, async (t) => {
  const [lead, one] = await openFloor(t, { tables: 1 });
  const browser = await openBrowser(t);
  const floor = await openPage(browser, `${lead.page}floor`);
  await floor.getByText('There are no tickets yet.').waitFor();
  await floor.getByRole('button', { name: 'Make tickets to print' }).click();
  await floor.locator('#tk_tables').fill('1');
  await floor.getByRole('button', { name: 'Make them' }).click();
  await floor.locator('dialog .error', { hasText: 'There is a station called Table 1' }).waitFor();
  assert.deepEqual(await faults(floor), []);
  await floor.locator('#tk_tables').fill('5-12');
  await floor.locator('#tk_spare').fill('1');
  await floor.locator('#tk_each').fill('100');
  const [answer] = await Promise.all([
    floor.waitForResponse((response) => response.url().endsWith('/verb') && response.request().postData().includes('--inline')),
    floor.getByRole('button', { name: 'Make them' }).click()]);
  assert.equal((await answer.allHeaders())['cache-control'], 'no-store');
  const { out } = await answer.json();
  assert.equal(out.tickets.length, 9);
  assert.deepEqual(out.sheets, [], 'no file');
  await floor.locator('.sheets img').nth(1).waitFor();
  await t.test('the sheets are pictures that were drawn, and nothing of a sheet is on the disk', async () => {
    const widths = await floor.locator('.sheets img').evaluateAll((pictures) =>
      Promise.all(pictures.map((picture) => picture.decode().then(() => picture.naturalWidth))));
    assert.equal(widths.length, 2);
    assert.ok(widths.every((width) => width > 100), `${widths}`);
    assert.deepEqual(await faults(floor), []);
    const bytes = bytesIn(lead.dir);
    const groups = out.tickets[0].text.replaceAll(/\s/g, '');
    assert.ok(!bytes.includes(groups), 'the ticket stands in a file');
    assert.ok(bytes.includes('Table 5'), 'this test looks at nothing');
  });
  await t.test('on paper: two pages', async () => {
    const pdf = (await floor.pdf({ preferCSSPageSize: true })).toString('latin1');
    assert.equal(pdf.match(/\/Type\s*\/Page\b/g).length, 2);
  });
  await floor.getByRole('button', { name: 'Done' }).click();
  assert.equal(await floor.locator('.sheets img').count(), 0);
  const row = (name) => floor.getByRole('row', { name: new RegExp(`^${name}\\b`) });
  await t.test('what became of them: open, used, cancelled', async () => {
    await row('Table 5').getByText('not used yet').waitFor();
    const dir = `${scratch(t)}/t5`;
    await must(['--dir', dir, 'join', out.tickets[0].text, '--peer', lead.address]);
    await floor.locator('#tickets tr', { hasText: 'used by Table 5' }).waitFor();
    await floor.getByRole('button', { name: 'Cancel Spare 1' }).click();
    assert.deepEqual(await faults(floor), []);
    await floor.getByRole('button', { name: 'Cancel the ticket' }).click();
    await floor.locator('#tickets tr', { hasText: 'Spare 1' }).getByText('cancelled').waitFor();
  });
  await t.test('at a table that is no lead\'s there are none', async () => {
    const other = await openPage(browser, `${one.page}floor`);
    await other.locator('#tables td').first().waitFor();
    assert.equal(await other.locator('#tickets_part').isVisible(), false);
  });
  assert.deepEqual(floor.wrong, []);
});

test('Ask, with whatever is in hand', { timeout: 120000 }, async (t) => {
  const [lead, one] = await openFloor(t, { tables: 1 });
  const folder = scratch(t);
  const tag = (bib) => `${epcOf(bib)}/E28011052000${String(bib).padStart(4, '0')}`;
  writeFileSync(`${folder}/supplier.csv`, `bib,epc,tid\n21,${tag(21).replace('/', ',')}\n22,${tag(22).replace('/', ',')}\n`);
  await lead.must(['issue', '--from', `${folder}/supplier.csv`]);
  await lead.must(['look', '22', '--tag', tag(22), '--helper', 'AB']);
  await lead.run(['look', '21', '--tag', tag(22)]); // status 1: it is another's
  await lead.must(['issue', '23', '--tag', tag(23), '--helper', 'CD']);
  await lead.must(['note', 'the runner came twice', '--bib', '23']);
  await lead.must(['hold', '24', '--reason', 'name is wrong']);
  await lead.must(['void', (await lead.json(['ask', '23'])).issues[0].record, '--reason', 'torn']);
  const browser = await openBrowser(t);
  const page = await openPage(browser, `${one.page}ask`);
  const asked = async (text, ...wanted) => {
    await scan(page, text);
    await until(`${text}: ${wanted.join(', ')}`, 10000, async () => {
      const answer = await page.locator('#answer').innerText();
      const missing = wanted.filter((words) => !answer.includes(words));
      if (missing.length > 0) throw new Error(`no ${missing} in ${answer}`);
      return true;
    });
  };
  await until('all is there', 20000, async () => (await one.status()).records === (await lead.status()).records);
  await t.test('a barcode, with zeros in front', () => asked('00021', 'Bib 21', 'chipped', 'From a file',
    'Not yet seen', 'Looked at: a chip of another bib'));
  await t.test('a chip by its EPC', () => asked(epcOf(22), 'on the list of one bib', 'Bib 22', 'Looked at: its own chip', 'AB'));
  await t.test('what was read is no longer "not yet seen"', async () =>
    assert.ok(!(await page.locator('#answer').innerText()).includes('Not yet seen')));
  await t.test('a chip by its TID', () => asked('E280110520000021', 'Bib 21'));
  await t.test('both', () => asked(tag(23), 'Bib 23', 'needs a new chip', 'Cancelled.', 'Reason: torn',
    'Note: the runner came twice', 'Lead, CD', 'Time by the clock of Lead, which agrees'));
  await t.test('held', () => asked('24', 'Bib 24', 'not chipped', 'Put on hold: name is wrong'));
  await t.test('a chip with a number of this event that is on no list', () =>
    asked(epcOf(77), 'carries number 77 of this event, and is on no list here'));
  await t.test('a chip that nobody knows', () => asked('E28011052000FFFF00000001', 'not known here'));
  await t.test('what is no bib', () => asked('30000', '30000'));
  assert.deepEqual(await faults(page), []);
  assert.deepEqual(page.wrong, []);
});

// What a page that is open for days is told again and again leaves nothing behind.
// An encoder that hears what stands in a file.
function toldReader(t) {
  const folder = scratch(t);
  const hold = (...chips) => {
    const tags = chips.map((chip) => chip.split('/')).map(([epc, tid]) => ({ epc, tid }));
    writeFileSync(`${folder}/next`, `${JSON.stringify({ say: 'field', tags })}\n`);
    renameSync(`${folder}/next`, `${folder}/field`);
  };
  hold();
  writeFileSync(`${folder}/reader`, 'echo \'{"say":"ready","protocol":1,"name":"told","can":["tid"]}\'\n' +
    `while cat ${folder}/field; do sleep 0.2; done\n`);
  return { hold, encoder: `program:sh ${folder}/reader` };
}

test('a chip on the antenna asks, and settles', { timeout: 120000 }, async (t) => {
  const { hold, encoder } = toldReader(t);
  const [lead, one] = await openFloor(t, { tables: 1, encoder });
  const tag = (tid) => `${epcOf(25)}/E2801105200000${tid}`;
  await one.stop();
  await lead.must(['issue', '25', '--tag', tag('0A')]);
  await one.must(['issue', '25', '--tag', tag('0B'), '--reason', 'asked for']);
  await start(t, one, lead);
  const browser = await openBrowser(t);
  const ask = await openPage(browser, `${lead.page}ask`);
  await until('the reader is there', 20000, async () => (await lead.json(['desk', '--view'])).encoder);
  hold(tag('0B'));
  await ask.locator('#answer', { hasText: 'Bib 25' }).waitFor();
  assert.equal(await ask.locator('#asked').inputValue(), tag('0B'));
  hold(`${epcOf(30)}/E280110520000030`, tag('0A')); // two: nobody can tell which is meant
  await until('both are heard', 10000, async () => (await lead.json(['desk', '--view'])).heard === 2);
  assert.equal(await ask.locator('#asked').inputValue(), tag('0B'));
  const floor = await openPage(browser, `${lead.page}floor`);
  await floor.getByRole('button', { name: /^Settle/ }).click();
  await scan(floor, '25');
  hold(tag('0A'));
  await floor.getByText(/It is the chip of Lead/).waitFor();
  hold(tag('0B'));
  await floor.getByText(/It is the chip of Table 1/).waitFor();
  await floor.getByRole('button', { name: 'This chip stays' }).click();
  await floor.getByText('No bib is chipped twice').waitFor();
  const { issues } = await lead.json(['ask', '25']);
  assert.deepEqual(issues.filter(({ live }) => live).map(({ table }) => table), ['Table 1']);
  assert.deepEqual([...ask.wrong, ...floor.wrong], []);
});

test('a page that is told much keeps nothing of it', { timeout: 120000 }, async (t) => {
  const [lead] = await openFloor(t, { tables: 0 });
  await lead.issue(stack(1, 300));
  const browser = await openBrowser(t);
  await browser.context.addInitScript(() => {
    const Real = window.EventSource;
    window.EventSource = class extends Real {
      constructor(...words) {
        super(...words);
        window.source = this;
        for (const name of ['floor', 'desk', 'status']) {
          this.addEventListener(name, ({ data }) => { window[`told_${name}`] ??= data; });
        }
      }
    };
  });
  for (const [path, name] of [['floor', 'floor'], ['', 'desk']]) {
    const page = await openPage(browser, `${lead.page}${path}`);
    await page.waitForFunction((told) => window[told], `told_${name}`);
    const door = await browser.context.newCDPSession(page);
    await door.send('Performance.enable');
    const tell = async (from, to) => {
      await page.evaluate(async ({ name, from, to }) => {
        const state = JSON.parse(window[`told_${name}`]);
        for (let i = from; i < to; i++) {
          if (name === 'floor') {
            state.issued = i;
            state.map.cells = `${i % 300}c.`.repeat(30) + '9000.';
            state.alarms = [{ name: 'copied', count: 2, say: [`${i}`, 'b'] }];
          } else {
            Object.assign(state, { version: state.version + 1, say: `${i}`, question: i % 2, tone: i % 2 ? 'ask' : 'ready' });
            state.choices = i % 2 ? [{ word: 'on', label: `Go on ${i}` }] : [];
          }
          window.source.dispatchEvent(new MessageEvent(name, { data: JSON.stringify(state) }));
          if (i % 10 === 0) await new Promise(requestAnimationFrame);
        }
      }, { name, from, to });
      for (let i = 0; i < 3; i++) await door.send('HeapProfiler.collectGarbage');
      const { metrics } = await door.send('Performance.getMetrics');
      return Object.fromEntries(metrics.map((metric) => [metric.name, metric.value]));
    };
    const early = await tell(0, 100);
    const late = await tell(100, 500);
    const of = ({ Nodes, JSEventListeners, JSHeapUsedSize }) =>
      `${Nodes} nodes, ${JSEventListeners} listeners, ${(JSHeapUsedSize / 1024).toFixed(0)} KiB`;
    console.log(`# /${path} after 100 states: ${of(early)}; after 500: ${of(late)}`);
    for (const what of ['Nodes', 'JSEventListeners', 'JSHeapUsedSize']) {
      assert.ok(late[what] <= 1.25 * early[what], `${what}: ${early[what]}, then ${late[what]}`);
    }
    await page.close();
  }
});

test('a table is put out from the floor', { timeout: 120000 }, async (t) => {
  const [lead, one] = await openFloor(t, { tables: 1 });
  const browser = await openBrowser(t);
  const floor = await openPage(browser, `${lead.page}floor`);
  const row = floor.getByRole('row', { name: /^Table 1/ });
  await row.getByText('open').waitFor();
  await one.stop();
  await row.getByText('not connected').waitFor();
  await row.getByRole('button').click();
  await floor.getByRole('button', { name: 'Put it out for good' }).click();
  await floor.getByText('Say what happened to it.').waitFor();
  assert.deepEqual(await faults(floor), []);
  await floor.getByLabel(/Stolen or lost/).check();
  await floor.getByRole('button', { name: 'Put it out for good' }).click();
  await row.getByText('put out: stolen').waitFor();
  assert.deepEqual((await lead.status()).retired.map(({ name, how }) => `${name} ${how}`), ['Table 1 stolen']);
});

test('20,000 bibs stay fluid, and anybody can read them', { timeout: 180000 }, async (t) => {
  const [lead, one] = await openFloor(t, { tables: 1 });
  await one.stop();
  await one.must(['issue', '5', '--reason', 'asked for']);
  await lead.issue(stack(1, 900));
  for (const bib of [950, 951]) await lead.must(['hold', String(bib), '--reason', 'wet']);
  const browser = await openBrowser(t);
  const floor = await openPage(browser, `${lead.page}floor`);
  await floor.locator('#legend li').first().waitFor();
  const frame = await floor.evaluate(async () => {
    const { showMap } = await import('/map.js');
    const times = [];
    for (let i = 0; i < 5; i++) {
      const cells = Array.from({ length: 20000 }, (_, n) => '.codshm'[(n * 3 + i) % 7]).join('');
      const begin = performance.now();
      showMap({ ranges: [[1, 20000]], cells });
      await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
      times.push(performance.now() - begin);
    }
    return times;
  });
  console.log(`# a map of 20,000 cells in ${frame.map((ms) => ms.toFixed(0)).join(', ')} ms`);
  const frames = async (what, move) => {
    await floor.evaluate(() => {
      window.frames_seen = [];
      let before = performance.now();
      const next = (at) => {
        window.frames_seen.push(at - before);
        before = at;
        if (window.frames_seen.length < 10000) requestAnimationFrame(next);
      };
      requestAnimationFrame(next);
    });
    for (let i = 0; i < 60; i++) await move(i);
    const times = await floor.evaluate(() => window.frames_seen.splice(0).sort((a, b) => a - b));
    const at = (part) => times[Math.floor(part * (times.length - 1))].toFixed(0);
    console.log(`# ${what}: ${times.length} frames, half within ${at(0.5)} ms, 95 of 100 within ${at(0.95)} ms`);
    await floor.evaluate(() => { window.frames_seen.length = 10000; });
  };
  await floor.locator('#map').scrollIntoViewIfNeeded();
  await floor.mouse.move(300, 300);
  await frames('scrolling over it', (i) => floor.mouse.wheel(0, i % 20 < 10 ? 120 : -120));
  const box = await floor.locator('#map').boundingBox();
  await frames('pointing at cells', (i) => floor.mouse.move(box.x + 80 + 11 * i, 300 + (i % 7) * 11));
  assert.match(await floor.locator('#pointed').textContent(), /^Bib \d+: /);
  await floor.reload();
  await floor.locator('#holds td').first().waitFor();
  await floor.getByText('The map as a table').click();
  await floor.locator('#map_table td', { hasText: 'on hold' }).first().waitFor();
  await floor.getByText('The pace as a table').click();
  await t.test('the floor: axe-core, WCAG 2.2 AA', async () => assert.deepEqual(await faults(floor), []));
  await t.test('a dialog of the floor', async () => {
    await start(t, one, lead);
    await floor.getByRole('button', { name: /^Settle/ }).click();
    assert.deepEqual(await faults(floor), []);
    await floor.keyboard.press('Escape');
  });
  const ask = await openPage(browser, `${lead.page}ask#5`);
  await ask.locator('.history li').nth(1).waitFor();
  await t.test('Ask', async () => assert.deepEqual(await faults(ask), []));
  await t.test('in the other language', async () => {
    await ask.locator('select').selectOption('de');
    await ask.getByText('zwei Chips').first().waitFor();
    assert.equal(await ask.locator('html').getAttribute('lang'), 'de');
    assert.deepEqual(await faults(ask), []);
  });
  await t.test('the map tells states by shape: no two pictures alike in grey', async () => {
    const pictures = await floor.evaluate(async () => {
      const canvases = [...document.querySelectorAll('#legend canvas')];
      return canvases.map((canvas) => {
        const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
        return [...data].filter((_, i) => i % 4 === 3).map((a) => (a > 100 ? 1 : 0)).join('');
      });
    });
    assert.ok(pictures.length >= 3);
    assert.equal(new Set(pictures).size, pictures.length);
  });
  assert.deepEqual(floor.wrong, []);
  assertSameOrigin(browser.seen, [lead]);
});
