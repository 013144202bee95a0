// Ask: a bib, a barcode, or what a chip says; its whole history, with tables, helpers and times.
import {
  chipHeard, chipText, dress, find, listen, make, saidOf, showStatus, stateMark, t, time, verb,
} from './app.js';

let status;
let asked = '';
let shown = '';

// How sure a time is: it is by the clock of the table that wrote it, of which we know by how much
// it differs from ours now, if that table is connected.
function clockNote(table) {
  const peer = status?.peers.find(({ name }) => name === table);
  if (table === status?.station) return t('clock_own');
  if (!peer || !peer.connected) return t('clock_unknown', { table });
  const minutes = Math.round(Math.abs(peer.clock_offset_ms) / 60000);
  if (minutes === 0) return t('clock_same', { table });
  return t(peer.clock_offset_ms > 0 ? 'clock_fast' : 'clock_slow', { table, minutes });
}

const who = (table, helper) => (helper ? t('who', { table, helper }) : table);
const known = (name, fallback) => (t(name) === name ? fallback : t(name));

// The entries of one bib's history in the order of their times.
function entries({ issues, hold = null, looks = [], notes = [] }) {
  const list = [];
  for (const issue of issues) {
    // What came with the supplier's list is believed, until somebody has read it on the bib.
    const unseen = issue.how === 'file' && issue.live && !looks.some(({ verdict }) => verdict === 'right');
    list.push({ at: issue.time, kind: 'issue', unseen, issue, table: issue.table, helper: issue.helper });
    if (issue.ended) {
      list.push({ at: issue.ended.time, kind: 'ended', issue, table: issue.ended.table });
    }
  }
  if (hold) list.push({ ...hold, at: hold.time, kind: 'hold', said: hold });
  for (const look of looks) list.push({ ...look, at: look.time, kind: 'look', said: look });
  for (const note of notes) list.push({ ...note, at: note.time, kind: 'note', said: note });
  return list.sort((a, b) => (a.at < b.at ? -1 : a.at > b.at ? 1 : 0));
}

function issueWords({ issue, unseen }, live) {
  const what = issue.half ? t('h_half') : t('h_chipped');
  const parts = [make('strong', {}, what), ` ${t(`how_${issue.how}`)}. `];
  if (issue.reason) parts.push(t('h_reason', { reason: issue.reason }), ' ');
  if (unseen) parts.push(make('strong', {}, t('h_unseen')), ' ');
  if (!issue.counted) parts.push(make('strong', {}, t('h_not_counted')), ' ');
  else if (issue.live && live > 1) parts.push(make('strong', {}, t('h_one_of', { live })), ' ');
  else if (issue.live) parts.push(t('h_counts'), ' ');
  const chips = make('div', { class: 'chips' });
  for (const tag of issue.tags) chips.append(make('div', {}, chipText(tag)));
  return [...parts, chips];
}

function endedWords({ issue }) {
  const { how, reason, chip, new_bib: newBib } = issue.ended;
  const parts = [make('strong', {}, t(`ended_${how}`)), ' '];
  parts.push(t('ended_of', { table: issue.table, time: time(issue.time, true) }), ' ');
  if (reason) parts.push(t('h_reason', { reason }), ' ');
  if (chip) parts.push(t('chip_where', { where: known(`where_${chip}`, chip) }), ' ');
  if (newBib) parts.push(t('new_bib', { bib: newBib }));
  return parts;
}

function saidWords({ kind, said }) {
  const text = said.text ?? said.reason ?? '';
  const word = known(`${kind}_${said.how ?? said.verdict ?? ''}`, t(kind));
  return [make('strong', {}, word), text ? `: ${text}` : ''];
}

function entryItem(entry, live) {
  const { issue, kind } = entry;
  const counts = kind === 'issue' && issue.live;
  const look = counts ? (live > 1 ? 'double' : 'counts') : 'ended';
  const item = make('li', { class: look });
  item.append(make('div', {},
    make('time', { class: 'when', datetime: entry.at }, time(entry.at, true)),
    ` · ${who(entry.table, entry.helper)}`));
  const words = kind === 'issue' ? issueWords(entry, live)
    : kind === 'ended' ? endedWords(entry) : saidWords(entry);
  item.append(make('div', {}, ...words), make('div', { class: 'note' }, clockNote(entry.table)));
  return item;
}

const nameOf = ({ state, half, outside }) => (half ? 'half' : outside ? 'outside' : state);

function bibCard(bib) {
  const live = bib.issues.filter((issue) => issue.live).length;
  const bad = bib.state === 'doubled' || bib.state === 'emptied' || bib.doubt || bib.crossed;
  const card = make('article', { class: bad ? 'card bad' : 'card' });
  card.append(make('h3', { class: 'found' }, t('bib', { bib: bib.bib }), ': ',
    make('span', { class: `mark ${bib.half ? 'bad' : stateMark[bib.state]}` }, t(`state_${nameOf(bib)}`))));
  if (bib.outside && /^(?=.*[A-F])[0-9A-F]+$/.test(bib.bib)) card.append(make('p', {}, t('whole_chip')));
  if (bib.cause) card.append(make('p', {}, t(`cause_${bib.cause}`)));
  if (bib.hold) card.append(make('p', { class: 'mark bad' }, known(`hold_${bib.hold.how}`, t('hold'))));
  if (bib.doubt) card.append(make('p', { class: 'error' }, t('doubt')));
  if (bib.crossed) card.append(make('p', { class: 'error' }, t('crossed')));
  const list = make('ol', { class: 'history' });
  for (const entry of entries(bib)) list.append(entryItem(entry, live));
  if (list.childElementCount === 0) card.append(make('p', {}, t('no_history')));
  else card.append(list);
  return card;
}

function answerParts(out) {
  if (out.bib) return [bibCard(out)];
  const parts = [make('p', { class: 'found' }, t('chip', { chip: out.tag }), ': ',
    out.bibs.length > 1 ? make('strong', { class: 'mark bad' }, t('on_bibs', { bibs: out.bibs.length }))
      : out.bibs.length === 1 ? t('on_bib')
        : out.number !== null ? t('carries', { number: out.number }) : t('unknown_chip'))];
  return [...parts, ...out.bibs.map(bibCard)];
}

function show(answer) {
  const picture = JSON.stringify([answer, status?.peers.map((peer) => peer.connected)]);
  if (picture === shown) return;
  shown = picture;
  const title = find('answer_title');
  const parts = answer.out && !answer.out.error
    ? answerParts(answer.out) : [make('p', { class: 'error', lang: 'en' }, saidOf(answer))];
  if (answer.out?.behind) parts.push(make('p', { class: 'mark bad' }, t('behind')));
  title.hidden = false;
  find('answer').replaceChildren(title, ...parts);
}

// One question at a time: where the node is slow, news must not pile up questions about it.
let asking = false;
let again = false;
async function ask() {
  again = asking;
  if (asking || asked === '') return;
  asking = true;
  try {
    const mine = asked;
    const answer = await verb('ask', ['--', mine]);
    if (mine === asked) show(answer);
  } finally {
    asking = false;
  }
  if (again) await ask();
}

function take(text) {
  // Of a chip that is written EPC/TID, the TID tells it from all others.
  asked = text.split('/').at(-1).trim();
  if (asked === '') return;
  shown = '';
  history.replaceState(null, '', `#${encodeURIComponent(asked)}`);
  ask();
}

dress('ask');
find('form').addEventListener('submit', (event) => {
  event.preventDefault();
  take(find('asked').value);
  find('asked').select();
});
// Whoever writes an address by hand need not know how a percent sign is written there.
function hashText() {
  try {
    return decodeURIComponent(location.hash.slice(1));
  } catch {
    return location.hash.slice(1);
  }
}
addEventListener('hashchange', () => take(hashText()));
if (location.hash.length > 1) {
  find('asked').value = hashText();
  take(find('asked').value);
}
find('asked').focus();
listen('desk', {
  desk: chipHeard((chip) => {
    find('asked').value = chip;
    take(chip);
  }),
  status: (news) => {
    const more = status?.records !== news.records;
    status = news;
    showStatus(status);
    if (more) ask(); // what is shown is kept up to date
  },
});
