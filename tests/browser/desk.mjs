// desk.mjs: a helper's day at the desk page, in a real browser, with the encoder that needs no
// hardware: with a scanner alone, with the keyboard alone, with a finger alone; a scan while a
// question is open; 40 scans in 10 seconds; a cut; the node killed under the open page.
//
import test from 'node:test';
import assert from 'node:assert/strict';
import { listed, sleep, stack, until } from '../field.mjs';
import { assertSameOrigin, faults, openBrowser, openFloor, openPage, scan, start } from './browser.mjs';

const SMALL = { viewport: { width: 1024, height: 600 } };
const tone = (page, wanted) => page.locator(`#say[data-tone="${wanted}"]`).waitFor();
const sentence = (page) => page.locator('#sentence').textContent();

async function focused(page) {
  return page.evaluate(() => document.activeElement?.id);
}
const chipped = async (station, bib) => {
  const known = await station.json(['ask', String(bib)]);
  return known.issues.filter((issue) => issue.live).length;
};

test('a scanner alone', { timeout: 120000 }, async (t) => {
  const [lead, one] = await openFloor(t, { tables: 1, encoder: 'rehearse:away=200,next=100' });
  const browser = await openBrowser(t, SMALL);
  const desk = await openPage(browser, one.page);
  await tone(desk, 'ready');

  await t.test('a bib that is scanned is chipped', async () => {
    await scan(desk, '1042');
    await desk.locator('#latest li', { hasText: '1042' }).waitFor();
    assert.equal(await chipped(one, 1042), 1);
    const [{ how }] = (await one.json(['ask', '1042'])).issues;
    assert.equal(how, 'scan');
    await until('safe on the lead', 20000, async () => /Safe on 1/.test(await desk.locator('#safe').textContent()));
  });
  await t.test('a question is answered by a card, and by nothing else that is scanned', async () => {
    await tone(desk, 'ready');
    await scan(desk, '1042');
    await tone(desk, 'ask');
    const asked = await sentence(desk);
    assert.match(asked, /1042/);
    const sounds = await desk.locator('#sentence').textContent();
    await scan(desk, '1043'); // the next helper is too fast
    await until('it is refused in words', 10000, async () =>
      (await desk.locator('#aside').textContent()).includes('1043'));
    assert.equal(await sentence(desk), sounds, 'the question stands');
    assert.equal(await chipped(one, 1043), 0);
    const words = (await one.json(['desk', '--view'])).choices.map(({ word }) => word);
    const leave = words.find((word) => /leave|no|keep|cancel|skip/.test(word)) ?? words.at(-1);
    await scan(desk, `+${leave.toUpperCase()}`);
    await until('the question is over', 10000, async () => (await one.json(['desk', '--view'])).question === 0);
    assert.equal(await chipped(one, 1042), 1);
  });
  await t.test('cards begin and end looking, and take the last one back', async () => {
    const way = (wanted) => until(wanted, 10000, async () => (await one.json(['desk', '--view'])).way === wanted);
    await tone(desk, 'ready');
    await scan(desk, '+LOOK');
    await way('look');
    await scan(desk, '+ONE');
    await way('on-demand');
    await scan(desk, '+UNDO');
    await desk.locator('#latest li.undone', { hasText: '1042' }).waitFor();
    assert.equal(await chipped(one, 1042), 0);
  });
  await t.test('the field has the focus, whatever was pressed', async () => {
    await tone(desk, 'ready');
    await desk.locator('.bar .station').click();
    await desk.mouse.click(500, 150);
    await until('the focus is back', 5000, async () => (await focused(desk)) === 'number');
  });
  assert.deepEqual(desk.wrong, []);
  assertSameOrigin(browser.seen, [one]);
  void lead;
});

test('a keyboard alone', { timeout: 120000 }, async (t) => {
  const [, one] = await openFloor(t, { tables: 1, encoder: 'rehearse:away=200,next=100' });
  const browser = await openBrowser(t, SMALL);
  const desk = await openPage(browser, one.page);
  await tone(desk, 'ready');
  await desk.keyboard.type('1100', { delay: 90 });
  await desk.keyboard.press('Enter');
  await desk.locator('#latest li', { hasText: '1100' }).waitFor();
  assert.equal((await one.json(['ask', '1100'])).issues[0].how, 'typed');
  await tone(desk, 'ready');

  await t.test('F9 takes the last one back', async () => {
    await desk.keyboard.press('F9');
    await until('undone, or asked', 10000, async () => {
      const view = await one.json(['desk', '--view']);
      return view.question > 0 || view.latest[0].undone;
    });
    if ((await one.json(['desk', '--view'])).question > 0) await desk.keyboard.press('F1');
    await until('it is void', 10000, async () => (await chipped(one, 1100)) === 0);
    await desk.locator('#latest li.undone', { hasText: '1100' }).waitFor();
  });
  await t.test('letters and digits answer no question; F1 does', async () => {
    await one.run(['issue', '1200']);
    await tone(desk, 'ready');
    await desk.keyboard.type('1200', { delay: 90 });
    await desk.keyboard.press('Enter');
    await tone(desk, 'ask');
    const { question } = await one.json(['desk', '--view']);
    for (const key of ['1', 'y', 'Enter', 'Space', 'Escape']) await desk.keyboard.press(key);
    assert.equal((await one.json(['desk', '--view'])).question, question);
    await desk.keyboard.press('F1');
    await until('it is answered', 10000, async () =>
      (await one.json(['desk', '--view'])).question !== question);
  });
  await t.test('a series is begun, worked through and ended', async () => {
    const open = await one.json(['desk', '--view']);
    if (open.question > 0) await desk.keyboard.press('F1');
    await tone(desk, 'ready');
    await desk.getByRole('button', { name: /^Series/ }).focus();
    await desk.keyboard.press('Enter');
    await desk.keyboard.type('1250');
    await desk.keyboard.press('Tab');
    await desk.keyboard.type('1240');
    await desk.keyboard.press('Enter');
    await until('the first is asked for', 10000, async () => (await one.json(['desk', '--view'])).way === 'series');
    assert.equal(await focused(desk), 'number');
    await scan(desk, '1250');
    await until('some are chipped', 30000, async () => (await chipped(one, 1248)) === 1);
    const { next } = await one.json(['desk', '--view']);
    await desk.keyboard.press('F8');
    await until('what is not here is put down', 20000, async () =>
      (await one.status()).holds.some(({ bib, how }) => Math.abs(Number(bib) - next) <= 1 && how === 'missing'));
    await desk.keyboard.press('F7');
    await until('it is ended', 20000, async () => (await one.json(['desk', '--view'])).way === 'on-demand');
  });
  await t.test('F10 looks, F7 ends that', async () => {
    const view = await one.json(['desk', '--view']);
    if (view.question > 0) await desk.keyboard.press(`F${view.choices.length}`);
    await desk.keyboard.press('F10');
    await until('it looks', 10000, async () => (await one.json(['desk', '--view'])).way === 'look');
    await desk.keyboard.press('F7');
    await until('it does not', 10000, async () => (await one.json(['desk', '--view'])).way === 'on-demand');
  });
  await t.test('the field is reached, and buttons work with Tab and Enter', async () => {
    const view = await one.json(['desk', '--view']);
    if (view.question > 0) await desk.keyboard.press(`F${view.choices.length}`);
    await desk.getByRole('button', { name: /^Helper/ }).focus();
    await desk.keyboard.press('Enter');
    await desk.keyboard.type('GH');
    await desk.keyboard.press('Enter');
    await until('signed on', 10000, async () => (await one.json(['desk', '--view'])).helper === 'GH');
    assert.equal(await focused(desk), 'number');
    await desk.getByRole('button', { name: 'Helper: GH' }).waitFor();
  });
  await t.test('change of shift: what is done after it is the other helper\'s', async () => {
    await desk.getByRole('button', { name: 'Helper: GH' }).focus();
    await desk.keyboard.press('Enter');
    await desk.keyboard.press('Control+A');
    await desk.keyboard.type('JK');
    await desk.keyboard.press('Enter');
    await desk.getByRole('button', { name: 'Helper: JK' }).waitFor();
    await tone(desk, 'ready');
    await scan(desk, '1110');
    await desk.locator('#latest li', { hasText: '1110' }).waitFor();
    assert.equal((await one.json(['ask', '1110'])).issues[0].helper, 'JK');
  });
  assert.deepEqual(desk.wrong, []);
});

test('a finger alone, on a small screen', { timeout: 120000 }, async (t) => {
  const [, one] = await openFloor(t, { tables: 1, encoder: 'rehearse:away=200,next=100' });
  await one.issue([1300]);
  const browser = await openBrowser(t, { ...SMALL, hasTouch: true });
  const desk = await openPage(browser, one.page);
  await tone(desk, 'ready');
  await desk.locator('#number').fill('1300');
  await desk.getByRole('button', { name: 'Enter' }).tap();
  await tone(desk, 'ask');
  const inView = async (locator) => {
    const box = await locator.boundingBox();
    return box.y >= 0 && box.y + box.height <= 600 && box.x >= 0 && box.x + box.width <= 1024;
  };
  for (const button of await desk.locator('#choices button').all()) {
    assert.ok(await inView(button), await button.textContent());
    assert.ok((await button.boundingBox()).height >= 44, 'large enough for a finger');
  }
  assert.ok(await inView(desk.locator('#number')));
  assert.ok(await inView(desk.locator('#sentence')));
  await t.test('the question has the whole width of the page', async () => {
    const box = await desk.locator('#say').boundingBox();
    assert.ok(box.width > 0.95 * 1024, `${box.width}`);
  });
  await t.test('a question: axe-core, WCAG 2.2 AA', async () => assert.deepEqual(await faults(desk), []));
  const { question } = await one.json(['desk', '--view']);
  await desk.locator('#choices button').last().tap();
  await until('it is answered', 10000, async () => (await one.json(['desk', '--view'])).question !== question);
  await tone(desk, 'ready');
  await t.test('ready: axe-core', async () => assert.deepEqual(await faults(desk), []));
  await t.test('each dialog: axe-core, and each button of it on the screen', async () => {
    const look = async () => {
      assert.deepEqual(await faults(desk), []);
      for (const button of await desk.locator('dialog button').all()) {
        assert.ok(await inView(button), await button.textContent());
        assert.ok((await button.boundingBox()).height >= 44);
      }
      await desk.locator('dialog').getByRole('button', { name: 'Go back' }).tap();
    };
    for (const name of [/^Series/, /^Helper/, /^More/]) {
      await desk.getByRole('button', { name }).tap();
      await look();
    }
    for (const name of [/^Prove/, /^Redo/, /^Roll/]) {
      await desk.getByRole('button', { name: /^More/ }).tap();
      await desk.locator('dialog').getByRole('button', { name }).tap();
      await look();
    }
  });
  await t.test('at work, and done: axe-core', async () => {
    await desk.locator('#number').fill('1301');
    await desk.getByRole('button', { name: 'Enter' }).tap();
    await desk.locator('#latest li', { hasText: '1301' }).waitFor();
    assert.deepEqual(await faults(desk), []);
    await desk.getByRole('button', { name: /^F9/ }).tap();
    await desk.locator('#latest li.undone', { hasText: '1301' }).waitFor();
    assert.deepEqual(await faults(desk), []);
  });
  await t.test('what the antenna hears is said', async () => {
    await tone(desk, 'ready');
    await desk.getByRole('button', { name: /^More/ }).tap();
    await desk.getByRole('button', { name: 'What does the empty antenna hear?' }).tap();
    await until('it says so', 10000, async () => /^The empty antenna hears/.test(await desk.locator('#aside').textContent()));
  });
  await t.test('the other language fits, too', async () => {
    await desk.locator('select').selectOption('de');
    await desk.getByRole('button', { name: /^Serie/ }).waitFor();
    for (const button of await desk.locator('#commands button').all()) assert.ok(await inView(button), await button.textContent());
    assert.deepEqual(await faults(desk), []);
  });
  await t.test('with less motion nothing moves', async () => {
    await desk.emulateMedia({ reducedMotion: 'reduce' });
    const moves = await desk.evaluate(() => [...document.querySelectorAll('*')].filter((element) => {
      const style = getComputedStyle(element);
      return style.transitionDuration !== '0s' || style.animationName !== 'none';
    }).length);
    assert.equal(moves, 0);
  });
});

test('40 scans in 10 seconds: none is lost, none is doubled', { timeout: 120000 }, async (t) => {
  const [, one] = await openFloor(t, { tables: 1, encoder: 'rehearse:away=20,next=10,slow=5', words: ['--gone', '100'] });
  const browser = await openBrowser(t, SMALL);
  const desk = await openPage(browser, one.page);
  await tone(desk, 'ready');
  const said = [];
  await desk.exposeFunction('took', (input, view) => said.push([input, view]));
  await desk.evaluate(() => {
    const real = window.fetch;
    window.fetch = async (...words) => {
      const answer = await real(...words);
      const copy = answer.clone();
      window.took(words[1].body, await copy.text());
      return answer;
    };
  });
  for (const bib of stack(1401, 40)) {
    await scan(desk, String(bib));
    await sleep(200);
  }
  await until('all are answered', 20000, () => said.length === 40);
  // Each scan was taken once, in order, and either chipped or refused in words.
  assert.deepEqual(said.map(([input]) => Number(JSON.parse(input).text)), stack(1401, 40));
  await until('the desk is at rest', 20000, async () => (await one.json(['desk', '--view'])).tone === 'ready');
  const done = [];
  for (const bib of stack(1401, 40)) {
    const live = await chipped(one, bib);
    assert.ok(live <= 1, `bib ${bib} was chipped ${live} times`);
    if (live === 1) done.push(bib);
  }
  const refused = said.filter(([, view]) => /not taken/.test(JSON.parse(view).aside)).length;
  console.log(`# of 40 scans ${done.length} chipped, ${refused} refused in words`);
  assert.equal(done.length + refused, 40);
  assert.ok(done.length >= 20);
  assert.equal((await listed(one)).size, done.length);
});

test('a double arrives on screen at the table that made it, after a cut', { timeout: 120000 }, async (t) => {
  const [lead, one, two] = await openFloor(t, { encoder: 'rehearse:away=200,next=100' });
  const browser = await openBrowser(t, SMALL);
  const desk = await openPage(browser, one.page);
  await tone(desk, 'ready');
  await desk.evaluate(() => {
    window.tones = 0;
    const begin = OscillatorNode.prototype.start;
    OscillatorNode.prototype.start = function count(...when) {
      window.tones++;
      return begin.apply(this, when);
    };
  });
  await two.stop();
  await lead.stop();
  await until('it says that it works alone', 20000, async () =>
    /working alone since \d\d:\d\d, carry on/.test(await desk.locator('#state').textContent()));
  await scan(desk, '1500');
  await desk.locator('#latest li', { hasText: '1500' }).waitFor();
  await until('what is only here is said', 10000, async () => /only here/.test(await desk.locator('#safe').textContent()));
  await two.must(['issue', '1500', '--reason', 'asked for', '--helper', 'CD']);
  await one.issue([1590]); // not one of the last that were done at the desk
  await two.must(['issue', '1590', '--reason', 'asked for', '--helper', 'CD']);
  await start(t, lead, lead);
  await start(t, two, lead);
  one.peers = [lead.address];
  await one.stop();
  await start(t, one, lead, ['--encoder', 'rehearse:away=200,next=100']);
  await until('both tables are named', 30000, async () => {
    const said = await desk.locator('#say').textContent();
    return said.includes('1500') && /chipped twice: Table \d, \d\d:\d\d.*; and Table \d, \d\d:\d\d/.test(said) &&
      said.includes('Table 1') && said.includes('Table 2');
  });
  assert.equal(await desk.locator('#say').getAttribute('data-tone'), 'halt', 'it interrupts');
  await until('the alarm was to be heard', 5000, () => desk.evaluate(() => window.tones >= 6));
  await t.test('the times are those of this place', async () => {
    const [issue] = (await one.json(['ask', '1500'])).issues;
    const local = new Date(issue.time).toLocaleTimeString('en-GB', { hour: '2-digit', minute: '2-digit' });
    assert.ok((await sentence(desk)).includes(local), local);
  });
  await t.test('of a bib that was done long ago it is said beside the work', async () => {
    await desk.keyboard.press('F1');
    await tone(desk, 'ready');
    for (const said of [/Bib 1500 is chipped twice/, /Bib 1590 is chipped twice: Table 1, .*; Table 2, CD, .*lay it aside/]) {
      await desk.locator('#alarms .alarm', { hasText: said }).waitFor();
    }
    assert.deepEqual(await faults(desk), []);
  });
  assert.deepEqual(desk.wrong.filter((text) => !/ERR_CONNECTION_REFUSED|Failed to load/.test(text)), []);
});

test('the node is killed under the open page, in the middle of the work', { timeout: 120000 }, async (t) => {
  const [lead, one] = await openFloor(t, { tables: 1, encoder: 'rehearse:away=200,next=100' });
  const browser = await openBrowser(t, SMALL);
  const desk = await openPage(browser, one.page);
  await tone(desk, 'ready');
  await scan(desk, '1600');
  await desk.locator('#latest li', { hasText: '1600' }).waitFor();
  await one.kill();
  await scan(desk, '1601');
  await desk.locator('#trouble', { hasText: '1601' }).waitFor();
  await desk.locator('#sentence', { hasText: 'No answer' }).waitFor();
  for (const part of ['#state', '#safe', '#work', '#commands']) assert.ok(!await desk.locator(part).isVisible(), part);
  assert.deepEqual(await faults(desk), []);
  await start(t, one, lead, ['--encoder', 'rehearse:away=200,next=100']);
  await tone(desk, 'ready');
  assert.equal(await chipped(one, 1601), 0);
  await scan(desk, '1601');
  await desk.locator('#latest li', { hasText: '1601' }).waitFor();
  await desk.reload();
  await desk.locator('#latest li', { hasText: '1601' }).waitFor();
  await tone(desk, 'ready');
  assert.equal(await focused(desk), 'number');
  assert.equal(await chipped(one, 1600), 1);
  assert.equal(await chipped(one, 1601), 1);
});
