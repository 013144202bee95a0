// What all pages share: words, the live connection to the node, acts, and making elements.
//
// Text from outside (names of tables, reasons) only ever becomes text: nothing here or in the
// other files makes markup out of a string.
import en from './strings.en.js';
import de from './strings.de.js';

const languages = { en, de };

function choose() {
  const kept = localStorage.getItem('language');
  const wanted = [kept, ...navigator.languages.map((name) => name.slice(0, 2))];
  return wanted.find((name) => languages[name]) ?? 'en';
}
export const language = choose();

// The text of that name in the page's language, with {names} filled in.
export function t(name, values = {}) {
  const text = languages[language][name] ?? en[name] ?? name;
  return text.replace(/\{(\w+)\}/g, (whole, key) => values[key] ?? whole);
}

// An element: make('td', {class: 'number'}, 'text', otherElement).
export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith('on')) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, '');
    else if (value !== false && value !== undefined && value !== null) {
      element.setAttribute(name, value);
    }
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}
export const find = (id) => document.getElementById(id);

// ---- times and numbers ----
const sameDay = (a, b) => a.toDateString() === b.toDateString();
const clock = new Intl.DateTimeFormat(language, { hour: '2-digit', minute: '2-digit', hourCycle: 'h23' });
const precise = new Intl.DateTimeFormat(language, {
  hour: '2-digit', minute: '2-digit', second: '2-digit', hourCycle: 'h23',
});
const day = new Intl.DateTimeFormat(language, { day: 'numeric', month: 'short' });
const digits = new Intl.NumberFormat(language);
export const count = (n) => digits.format(n);
// "09:12" today, "15 May, 09:12" else.
export function time(when, seconds = false) {
  const at = new Date(when);
  if (Number.isNaN(at.getTime())) return '';
  const text = (seconds ? precise : clock).format(at);
  return sameDay(at, new Date()) ? text : `${day.format(at)}, ${text}`;
}

// ---- acts ----

// Runs a verb: {status, out, err}. Status -1: the node did not answer.
export async function verb(name, words = []) {
  try {
    const answer = await fetch('/verb', {
      method: 'POST',
      headers: { 'Content-Type': 'application/json' },
      body: JSON.stringify({ verb: name, arguments: words }),
    });
    return await answer.json();
  } catch {
    return { status: -1, out: null, err: t('lost') };
  }
}
// The sentence of an answer that went wrong.
export const saidOf = (answer) => answer.out?.error?.say ?? answer.err.split('\n')[0];

// ---- the live connection ----
// The node sends whole states, so whoever comes back after a sleep or a restart is up to date with
// the first of each. A connection that is silent for too long is made anew.
const SILENCE_MS = 25000;
const AGAIN_MS = 1000;

export function listen(of, on) {
  let source;
  let heard = performance.now();
  const open = () => {
    source = new EventSource(`/events?of=${of}`);
    heard = performance.now();
    const take = (name) => source.addEventListener(name, (event) => {
      heard = performance.now();
      reachable(true);
      on[name]?.(JSON.parse(event.data));
    });
    for (const name of ['status', 'desk', 'floor', 'here']) take(name);
    source.addEventListener('error', () => reachable(false));
  };
  const look = () => {
    const silent = performance.now() - heard > SILENCE_MS;
    if (source.readyState !== EventSource.CLOSED && !silent) return;
    reachable(false);
    source.close();
    open();
  };
  open();
  setInterval(look, AGAIN_MS);
  document.addEventListener('visibilitychange', look);
}

let missing;
function reachable(yes) {
  const show = (hidden) => {
    if (find('lost').hidden === hidden) return;
    find('lost').hidden = hidden;
    dispatchEvent(new Event(hidden ? 'back' : 'gone'));
  };
  if (yes) {
    clearTimeout(missing);
    missing = undefined;
    show(true);
  } else {
    missing ??= setTimeout(show, 1500, false);
  }
}

// Calls `take` with each chip that is laid on this table's antenna from now on, alone, while somebody
// looks at the page.
export function chipHeard(take) {
  let before;
  return ({ lone }) => {
    const fresh = lone !== '' && before !== undefined && lone !== before;
    before = lone;
    if (fresh && document.visibilityState === 'visible') take(lone.toUpperCase());
  };
}

// ---- the bar on top ----
const pages = [['/', 'desk'], ['/floor', 'floor'], ['/ask', 'ask']];

function languagePicker() {
  const pick = make('select', { 'aria-label': t('language') });
  for (const [name, words] of Object.entries(languages)) {
    pick.append(make('option', { value: name, lang: name, selected: name === language }, words.name));
  }
  pick.addEventListener('change', () => {
    localStorage.setItem('language', pick.value);
    location.reload();
  });
  return pick;
}

// Fills the header, and every element that carries data-t with its text.
export function dress(title) {
  document.documentElement.lang = language;
  document.title = t(title);
  for (const element of document.querySelectorAll('[data-t]')) {
    element.textContent = t(element.dataset.t);
  }
  const nav = make('nav', { 'aria-label': t('pages') });
  for (const [path, name] of pages) {
    const here = location.pathname === path;
    nav.append(make('a', { href: path, 'aria-current': here ? 'page' : undefined }, t(name)));
  }
  find('bar').append(nav, make('span', { class: 'station', id: 'station' }),
    make('span', { class: 'state', id: 'state', role: 'status' }), languagePicker());
  find('lost').textContent = t('lost');
}

// How far this station is on its own: "3 of 3 other tables connected", "working alone since ...".
export function standing(status) {
  const others = status.peers.length;
  const connected = status.peers.filter((peer) => peer.connected).length;
  if (status.out) return t('put_out');
  if (status.alone_since_ms !== null) return t('alone', { time: time(status.alone_since_ms) });
  return others === 0 ? t('only') : t('connected', { connected, others });
}
export function showStatus(status) {
  find('station').textContent = `${status.station} · ${status.event_name ?? ''}`;
  const text = standing(status);
  find('state').classList.toggle('alone', Boolean(status.out) || status.alone_since_ms !== null);
  if (find('state').textContent !== text) find('state').textContent = text;
}

// Alarms by their cause, the first of each first: [{name, say: [...], count}].
export function byCause(alarms) {
  const causes = new Map();
  for (const { name, say } of alarms) {
    if (!causes.has(name)) causes.set(name, { name, say: [], count: 0 });
    causes.get(name).say.push(say);
    causes.get(name).count++;
  }
  return [...causes.values()];
}

// What a bib's state is called, and which mark goes with it.
export const stateMark = { unissued: 'away', issued: 'good', doubled: 'bad', emptied: 'bad' };
export const chipText = (tag) => (tag.tid ? `${tag.epc} / ${tag.tid}` : tag.epc);
