// The desk: one number field that always has the focus, one sentence that says what to do now, and
// questions that no key answers which a scanner can type.
import { byCause, count, dress, find, language, listen, make, showStatus, t, time, verb } from './app.js';
import { whoOf } from './acts.js';
import { play, wakeSound } from './sound.js';

let view;
let status;
let heardSound; // number of the last sound; undefined until the first view

// ---- inputs: one after another, so that none overtakes another and none is sent twice ----
const waiting = [];
let sending = false;

async function post(input) {
  const answer = await fetch('/desk', {
    method: 'POST',
    headers: { 'Content-Type': 'application/json' },
    body: JSON.stringify(input),
  });
  return { ok: answer.ok, body: await answer.json() };
}
const nameOf = (input) => input.text ?? input.answer ?? input.command;

async function sendAll() {
  sending = true;
  while (waiting.length > 0) {
    const input = waiting[0];
    try {
      const { ok, body } = await post(input);
      waiting.shift();
      if (ok) showView(body);
      trouble(ok ? '' : body.err);
    } catch {
      // It may or may not have been taken: sending it again could do it twice. A person sees.
      const all = waiting.splice(0).map(nameOf).join(' ');
      trouble(t('d_not_taken', { text: all }));
    }
  }
  sending = false;
}
function send(input) {
  waiting.push(input);
  if (!sending) sendAll();
}
function trouble(text) {
  if (find('trouble').textContent !== text) find('trouble').textContent = text;
}

// ---- the number field ----
// A scanner types faster than anybody: a line of which most keys come closer than this was scanned.
// (The first keys after a pause may be late.)
const SCANNED_MS = 50;
let keys = [];

function noteKey(event) {
  if (event.key.length === 1) keys.push(event.timeStamp);
}
function wasScanned(length) {
  const mine = keys.splice(0);
  if (length < 2 || mine.length < length) return false;
  const gaps = mine.slice(1).map((at, i) => at - mine[i]).sort((a, b) => a - b);
  return gaps[gaps.length >> 1] < SCANNED_MS;
}
function enter() {
  const text = find('number').value.trim();
  const scanned = wasScanned(text.length);
  find('number').value = '';
  if (text !== '') send({ text, scanned });
  focusNumber();
}
function focusNumber() {
  if (!find('dialog').open) find('number').focus({ preventScroll: true });
}

// ---- keys that no scanner types ----
// F1 to F6 answer, and the others are the commands of the desk in a terminal (desk_terminal.c). F11
// and F12 are the browser's.
const command = (name, more) => () => send({ command: name, ...more });
const commands = [
  { key: 'F7', text: 'd_stop', act: command('stop'), ways: ['series', 'prove', 'look'] },
  { key: 'F8', text: 'd_absent', act: command('absent'), ways: ['series', 'on-demand'] },
  { key: 'F9', text: 'd_undo', act: command('undo') },
  { key: 'F10', text: 'd_look', act: command('look'), ways: ['on-demand', 'series'] },
  { text: 'd_one', act: command('on-demand'), ways: ['look'] },
  { text: 'd_series', act: () => askSeries('series'), ways: ['on-demand', 'look'] },
  { text: 'd_more', act: () => askMore() },
];
// What is wanted a few times a day.
const further = [
  { text: 'd_check', act: command('check-empty') },
  { text: 'd_prove', act: () => askSeries('prove') },
  { text: 'd_redo', act: () => askSeries('redo') },
  { text: 'd_roll', act: () => askRoll() },
];
const may = ({ ways }) => view && !status?.out && view.question === 0 && (!ways || ways.includes(view.way));

function pressed(event) {
  wakeSound();
  if (find('dialog').open || event.ctrlKey || event.altKey || event.metaKey) return;
  const key = /^F([1-9]|10)$/.exec(event.key)?.[0];
  if (key) {
    event.preventDefault();
    const choice = view?.question ? view.choices[Number(key.slice(1)) - 1] : undefined;
    if (choice) answer(choice.word);
    else commands.find((entry) => entry.key === key)?.act();
    return;
  }
  const plain = event.key.length === 1 || event.key === 'Enter';
  if (plain && !(document.activeElement instanceof HTMLButtonElement && event.key === 'Enter')) focusNumber();
}
function answer(word) {
  send({ question: view.question, answer: word });
  focusNumber();
}

// ---- what is shown ----
const setText = (id, text) => {
  if (find(id).textContent !== text) find(id).textContent = text;
};
// A question has the whole page: what else is shown waits behind it.
function showChoices() {
  document.body.classList.toggle('asks', view.question > 0);
  const picture = JSON.stringify([view.question, view.choices]);
  if (find('choices').dataset.picture === picture) return;
  find('choices').dataset.picture = picture;
  find('choices').replaceChildren(...(view.question ? view.choices : []).map(({ word, label }, i) =>
    make('button', { type: 'button', onclick: () => answer(word) },
      make('kbd', {}, `F${i + 1}`), make('span', { lang: 'en' }, label))));
}
function showCommands() {
  const shown = view.question ? [] : commands.filter(may);
  const helper = view.helper || t('d_nobody');
  const picture = JSON.stringify([shown.map(({ text }) => text), helper, status?.out]);
  if (find('commands').dataset.picture === picture) return;
  find('commands').dataset.picture = picture;
  const buttons = shown.map(({ key, text, act }) => make('button', {
    type: 'button', onclick: () => { act(); focusNumber(); },
  }, key ? make('kbd', {}, key) : null, t(text)));
  if (!view.question && !status?.out) {
    buttons.push(make('button', { type: 'button', onclick: askHelper }, t('d_helper', { helper })));
  }
  find('commands').replaceChildren(...buttons);
}
function latestItem(done) {
  const words = [done.say];
  if (done.undone) words.push(t('d_undone'));
  else if (done.half) words.push(t('d_half'));
  return make('li', { class: done.undone ? 'undone' : undefined }, make('b', {}, done.bib),
    make('span', { lang: 'en' }, words.filter(Boolean).join(', ')), ` · ${time(done.time, true)}`);
}
function showLatest() {
  const picture = JSON.stringify(view.latest);
  if (find('latest').dataset.picture === picture) return;
  find('latest').dataset.picture = picture;
  find('latest').replaceChildren(...(view.latest.length > 0 ? view.latest.map(latestItem)
    : [make('li', {}, t('d_no_latest'))]));
}
function workText() {
  const values = { ...view };
  const parts = [t(`d_way_${view.way.replace('-', '_')}`, values)];
  if (view.chips_wanted > 1) parts.push(t('d_chips', { made: view.chips_made, wanted: view.chips_wanted }));
  parts.push(t(view.encoder ? 'd_encoder_up' : 'd_encoder_down'));
  if (view.heard > 0) parts.push(t(view.heard === 1 ? 'd_heard_one' : 'd_heard', { heard: view.heard }));
  if (view.roll) parts.push(`${t('c_roll')}: ${view.roll}`);
  return parts.join(' · ');
}
function showView(next) {
  if (view && next.version < view.version) return; // an answer that was overtaken by an event
  view = next;
  find('say').dataset.tone = view.tone;
  setText('word', t(`d_${view.tone}`));
  setText('sentence', view.say);
  setText('aside', view.aside);
  find('sentence').lang = 'en';
  find('aside').lang = 'en';
  showChoices();
  showCommands();
  showLatest();
  setText('work', workText());
  // Of a page or node that has just begun, only what is still asked is said aloud.
  const fresh = heardSound === undefined;
  if (fresh ? view.question > 0 && view.sound === 'alarm' : view.sound_number !== heardSound) play(view.sound);
  heardSound = view.sound_number;
}
// ---- bibs that this table chipped and another chipped too ----
// Of the last ones the desk itself asks, and waits; of those before (after a long cut, say) it is said
// here, with the same sound.
const DOUBLES_SHOWN = 3;
const own = { count: 0, doubles: [], told: undefined };

async function lookAtDoubles() {
  if (status.doubles === own.count) return;
  own.count = status.doubles;
  const { out } = await verb('doubles');
  own.doubles = (Array.isArray(out) ? out : []).filter(({ bib, issues }) =>
    bib && issues.some(({ live, table }) => live && table === status.station));
  const bibs = own.doubles.map(({ bib }) => bib);
  const news = bibs.filter((bib) => own.told && !own.told.has(bib) && !view?.say.includes(bib));
  own.told = new Set([...own.told ?? [], ...bibs]);
  if (news.length > 0) play('alarm');
  showAlarms();
}
function doubleItems() {
  const items = own.doubles.slice(0, DOUBLES_SHOWN).map(({ bib, issues }) => make('div', { class: 'alarm' },
    t('d_double', { bib, who: issues.filter(({ live }) => live).map(whoOf).join('; ') })));
  const more = own.doubles.length - DOUBLES_SHOWN;
  return more > 0 ? [...items, make('div', {}, t('d_more_doubles', { count: more }))] : items;
}

// What is wrong at this table, or elsewhere, with what to do; many of one cause as one.
const ALARMS_SHOWN = 2;
// What asks nothing of a helper is the lead's, on the floor: here it would stand for ever.
const LEADS_OWN = new Set(['foreign_void', 'ticket_twice', 'ticket_cancelled']);
function showAlarms() {
  const causes = byCause(status.alarms.filter(({ name }) => !LEADS_OWN.has(name)));
  const items = causes.slice(0, ALARMS_SHOWN).map(({ say, count: times }) => make('div', { class: 'alarm' },
    make('span', { lang: 'en' }, say[0]), times > 1 ? ` ${t('d_and_like', { count: times - 1 })}` : null));
  if (causes.length > ALARMS_SHOWN) {
    items.push(make('div', {}, t('d_more_alarms', { count: causes.length - ALARMS_SHOWN })));
  }
  items.unshift(...doubleItems());
  const picture = JSON.stringify([causes, own.doubles]);
  if (find('alarms').dataset.picture === picture) return;
  find('alarms').dataset.picture = picture;
  find('alarms').hidden = items.length === 0;
  find('alarms').replaceChildren(...items);
}
function showSafe() {
  const { copies, unsafe, doubles, handover } = status;
  const parts = [];
  if (unsafe > 0) parts.push(t(unsafe === 1 ? 'd_unsafe_one' : 'd_unsafe', { unsafe: count(unsafe) }));
  else if (copies > 0) parts.push(t(copies === 1 ? 'd_safe_one' : 'd_safe', { copies }));
  if (doubles > 0) parts.push(t('d_doubles', { doubles }));
  if (handover) parts.push(t('d_list', { number: handover.number, time: time(handover.time) }));
  find('safe').hidden = parts.length === 0;
  find('safe').replaceChildren(...parts.map((text) => make('div', {}, text)));
}

// ---- small dialogs ----
function dialog(title, fields, label, act, how) {
  const form = make('form', {}, make('h2', { id: 'dialog_title' }, t(title).replace('…', '')),
    how ? make('p', {}, how) : null,
    make('div', { class: 'row' }, ...fields),
    make('div', { class: 'row' }, make('button', { class: 'main' }, t(label)),
      make('button', { type: 'button', onclick: () => find('dialog').close() }, t('cancel'))));
  form.addEventListener('submit', (event) => {
    event.preventDefault();
    act(new FormData(form));
    find('dialog').close();
  });
  find('dialog').replaceChildren(form);
  find('dialog').showModal();
}
const input = (name, text, attributes) => make('div', {}, make('label', { for: `i_${name}` }, t(text)),
  make('input', { id: `i_${name}`, name, ...attributes }));
const numeric = (name, text, value) => input(name, text, {
  type: 'number', min: 0, required: true, value,
});
function askMore() {
  const close = () => find('dialog').close();
  find('dialog').replaceChildren(make('h2', { id: 'dialog_title' }, t('d_more').replace('…', '')),
    make('div', { class: 'row' }, ...further.map(({ text, act }) =>
      make('button', { type: 'button', onclick: () => { close(); act(); } }, t(text))),
    make('button', { type: 'button', onclick: close }, t('cancel'))));
  find('dialog').showModal();
}
function askSeries(name) {
  const more = name === 'series' ? [numeric('step', 'd_step', 1), numeric('check_every', 'd_every', 25)] : [];
  dialog(`d_${name}`,
    [numeric('first', 'd_first'), numeric('last', 'd_last'), ...more], 'd_begin', (data) => {
      const numbers = Object.fromEntries([...data].map(([key, value]) => [key, Number(value)]));
      send({ command: name, ...numbers });
    }, t(`${name}_how`));
}
function askHelper() {
  dialog('d_who', [input('text', 'd_initials', { type: 'text', maxlength: 8, size: 8, value: view.helper })],
    'd_sign', (data) => {
      localStorage.setItem('initials', data.get('text').trim());
      send({ command: 'helper', text: data.get('text').trim() });
    });
}
function askRoll() {
  dialog('d_roll', [input('text', 'd_roll_name', { type: 'text', maxlength: 100 }),
    make('label', {}, make('input', { type: 'checkbox', name: 'pair' }), ' ', t('d_pair'))],
  'd_load', (data) => send({ command: 'roll', text: data.get('text').trim(), pair: data.has('pair') }));
}

// ---- begin ----
dress('desk');
setText('sentence', t('d_wait'));
// Nobody is to go on by a sentence, a button or a state that no longer holds.
addEventListener('gone', () => {
  document.body.classList.add('gone');
  find('say').dataset.tone = 'halt';
  setText('word', t('d_halt'));
  setText('sentence', t('lost'));
  setText('aside', '');
  find('sentence').lang = language;
});
addEventListener('back', () => {
  document.body.classList.remove('gone');
  if (view) showView(view);
});
find('form').addEventListener('submit', (event) => {
  event.preventDefault();
  enter();
});
find('number').addEventListener('keydown', noteKey);
find('dialog').addEventListener('close', focusNumber);
addEventListener('keydown', pressed);
addEventListener('pointerdown', wakeSound);
addEventListener('focus', focusNumber);
find('number').addEventListener('blur', () => setTimeout(() => {
  const now = document.activeElement;
  if (now === document.body || now === null) focusNumber();
}, 50));
focusNumber();
listen('desk', {
  status: (news) => {
    status = news;
    showStatus(status);
    showSafe();
    showAlarms();
    lookAtDoubles();
    if (view) showCommands();
  },
  desk: (next) => {
    if (view && next.version < view.version) { // the node has begun anew: what it says now counts
      view = undefined;
      heardSound = undefined;
    }
    showView(next);
  },
});
