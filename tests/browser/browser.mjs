// browser.mjs: a real browser beside real stations, for the tests of the pages.
//
// playwright-core and axe-core come from npm (into tests/browser/node_modules by hand, or where
// $BROWSER_PACKAGES says, which ctest sets); the browser is Debian's chromium, or $CHROMIUM.
// Each browser has a folder of its own and is ended with its test.
import { createRequire } from 'node:module';
import { readFileSync } from 'node:fs';
import { request } from 'node:http';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import assert from 'node:assert/strict';
import { atEnd, makeEvent, scratch } from '../field.mjs';

const packages = process.env.BROWSER_PACKAGES || fileURLToPath(new URL('.', import.meta.url));
const load = createRequire(join(packages, 'package.json'));
const { chromium } = load('playwright-core');
const axe = readFileSync(load.resolve('axe-core/axe.min.js'), 'utf8');

export const WITHIN_MS = 20000;

// A browser of its own. `seen` is every request that its pages made.
export async function openBrowser(t, { viewport = { width: 1280, height: 800 }, ...options } = {}) {
  const context = await chromium.launchPersistentContext(scratch(t), {
    executablePath: process.env.CHROMIUM || '/usr/bin/chromium',
    args: ['--headless', '--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run',
      '--disable-background-networking', '--disable-component-update', '--disable-sync'],
    viewport,
    locale: 'en-GB',
    ...options,
  });
  atEnd(t, () => context.close());
  context.setDefaultTimeout(WITHIN_MS);
  const seen = [];
  context.on('request', (wanted) => seen.push(wanted.url()));
  return { context, seen };
}

// A page, and what went wrong in it.
export async function openPage(browser, url) {
  const page = await browser.context.newPage();
  page.wrong = [];
  page.on('pageerror', (error) => page.wrong.push(String(error)));
  page.on('console', (message) => {
    if (message.type() === 'error') page.wrong.push(message.text());
  });
  await page.goto(url);
  return page;
}

// A lead and `tables` tables, all running with pages and the encoder that needs no hardware.
export async function openFloor(t, { tables = 2, names = [], encoder = 'rehearse', words = [] } = {}) {
  const places = Array.from({ length: tables + 1 }, () => ({ listen: '127.0.0.1:0' }));
  const stations = await makeEvent(scratch(t), places);
  for (const [i, name] of names.entries()) stations[i].name = name ?? stations[i].name;
  for (const station of stations) await start(t, station, stations[0], [...words, '--encoder', encoder]);
  return stations;
}
export async function start(t, station, lead, words = []) {
  station.peers = lead.address && lead !== station ? [lead.address] : [];
  await station.start({ words: ['--page', station.port ?? '0', ...words] });
  station.port = new URL(station.page).port; // it comes back at the same place
  atEnd(t, async () => {
    if (!station.alive) return;
    const status = await station.stop();
    assert.equal(status, 0, `${station.name}: ${station.lastWords()}`);
  });
}

// Types like a scanner: all keys at once, each with the time at which it was pressed, so that a busy
// machine is not taken for slow fingers. How fast that is is common practice, no source: 5 to 20 ms
// between keys. The keys go through the Chrome DevTools Protocol (Input.dispatchKeyEvent).
export async function scan(page, text) {
  page.door ??= await page.context().newCDPSession(page);
  const begin = Date.now() / 1000;
  const keys = [...text].map((key) => ({ key, text: key }));
  keys.push({ key: 'Enter', code: 'Enter', text: '\r', windowsVirtualKeyCode: 13 });
  const sent = keys.flatMap((key, i) => ['keyDown', 'keyUp'].map((type) =>
    page.door.send('Input.dispatchKeyEvent',
      { ...key, type, text: type === 'keyDown' ? key.text : undefined, timestamp: begin + i * 0.01 })));
  await Promise.all(sent);
}

// What axe-core finds against WCAG 2.2, levels A and AA; and texts that are hard to read in a hall
// with the sun on the screen: less than 7:1, which is WCAG 2.2's 1.4.6 (AAA).
export async function faults(page) {
  // The page's policy forbids scripts of others; the debugger's door is not bound by it.
  await page.evaluate(axe);
  const found = await page.evaluate(() => window.axe.run(document, {
    runOnly: { type: 'tag', values: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'] },
  }));
  const wrong = found.violations.map(({ id, nodes }) =>
    `${id}: ${nodes.map(({ html }) => html.slice(0, 120)).join(' | ')}`);
  const { texts, pale } = await page.evaluate(contrasts, 7);
  assert.ok(texts >= 3, 'no texts were looked at');
  return [...wrong, ...pale];
}
// Runs in the page. Relative luminance and contrast as WCAG 2.2 defines them.
function contrasts(least) {
  const numbers = (colour) => colour.match(/[\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((c) => c / 255)
    .map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4))
    .reduce((sum, c, i) => sum + c * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = (element) => {
    for (let at = element; at; at = at.parentElement) {
      const colour = numbers(getComputedStyle(at).backgroundColor);
      if (colour.length === 3 || colour[3] === 1) return colour;
    }
    return [255, 255, 255];
  };
  const top = document.querySelector('dialog[open]') ?? document.body;
  const walker = document.createTreeWalker(top, NodeFilter.SHOW_TEXT);
  const pale = [];
  let texts = 0;
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (walker.currentNode.data.trim() === '' || !element.checkVisibility()) continue;
    texts++;
    const [a, b] = [light(numbers(getComputedStyle(element).color)), light(ground(element))].sort((x, y) => y - x);
    const ratio = (a + 0.05) / (b + 0.05);
    if (ratio < least) pale.push(`${ratio.toFixed(1)}:1 for "${walker.currentNode.data.trim().slice(0, 40)}"`);
  }
  return { texts, pale };
}

// One raw request: {status, headers, text}.
export function ask(port, { method = 'GET', path = '/', headers = {}, body } = {}) {
  return new Promise((done, failed) => {
    const sent = request({ host: '127.0.0.1', port, method, path, headers, agent: false }, (answer) => {
      let text = '';
      answer.setEncoding('utf8').on('data', (part) => (text += part));
      answer.on('end', () => done({ status: answer.statusCode, headers: answer.headers, text }));
    });
    sent.on('error', failed);
    sent.end(body);
  });
}

export function assertSameOrigin(seen, stations) {
  const ours = new Set(stations.map(({ page }) => new URL(page).origin));
  const others = seen.filter((url) => !url.startsWith('data:') && !ours.has(new URL(url).origin));
  assert.deepEqual(others, []);
}
