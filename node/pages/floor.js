// The floor, for the lead: every table, every bib, what is wrong and what to do about it.
import { chipHeard, chipText, count, dress, find, listen, make, showStatus, t, time } from './app.js';
import { retire, settle, takeOff, whoOf } from './acts.js';
import { runsOf, showMap, watchMap } from './map.js';
import { forecastText, showPace } from './pace.js';
import { showTickets, watchTickets } from './tickets.js';

// Replaces what is in a box only if it is to show something else, so that nobody's focus or
// selection goes when nothing changed.
const pictures = new Map();
function show(id, data, build) {
  const picture = JSON.stringify(data);
  if (pictures.get(id) === picture) return;
  pictures.set(id, picture);
  find(id).replaceChildren(...build().filter(Boolean));
}

// ---- figures ----
const figure = (number, text, bad) => make('div', { class: bad ? 'figure bad' : 'figure' },
  make('b', {}, number), ' ', text);
function showFigures(floor) {
  const here = floor.tables.filter((table) => table.connected || table.self).length;
  const out = floor.tables.filter(({ state }) => state === 'dead' || state === 'stolen').length;
  const all = floor.tables.length - out;
  const recent = floor.tables.reduce((sum, table) => sum + table.recent, 0);
  const data = [floor.issued, floor.planned, floor.doubles_count, here, all, recent, forecastText(floor)];
  show('figures', data, () => [
    figure(count(floor.issued), t('f_issued', { planned: count(floor.planned) })),
    figure(count(recent), t('f_recent')),
    figure(count(floor.doubles_count), t('f_doubles'), floor.doubles_count > 0),
    figure(count(here), t('f_tables', { all: count(all) }), here < all),
    make('div', { class: 'figure' }, forecastText(floor)),
  ]);
}

// ---- alarms ----
function alarmCard({ count: times, say }) {
  const card = make('div', { class: 'card bad' });
  if (times === 1) {
    card.append(make('p', { class: 'mark bad', lang: 'en' }, say[0]));
    card.firstChild.style.whiteSpace = 'normal';
    return card;
  }
  const rest = make('ul', { lang: 'en' }, ...say.map((text) => make('li', {}, text)));
  const head = make('p', { class: 'mark bad' }, t('alarm_many', { count: times }), ' ',
    make('span', { lang: 'en' }, say[0]));
  head.style.whiteSpace = 'normal';
  card.append(head, make('details', {}, make('summary', {}, t('alarm_all', { count: times })), rest));
  return card;
}

// ---- doubles ----
const issueLine = (issue, named) => make('li', {}, named ? `${t('bib', { bib: issue.bib })}: ` : '', `${whoOf(issue)} `,
  make('span', { class: 'chips' }, issue.tags.map(chipText).join(', ')));
const sinceOf = (entry) => entry.issues.map((issue) => issue.time).sort().at(-1) ?? '';

function doubleCard(entry, lead) {
  const card = make('article', { class: 'card bad' });
  const head = entry.bib
    ? [t('bib', { bib: entry.bib }), ': ', make('span', { class: 'mark bad' }, t('state_doubled'))]
    : [make('span', { class: 'mark bad' }, t('two_bibs', { bibs: entry.bibs.join(', ') }))];
  card.append(make('h3', {}, ...head, ` ${t('since', { time: time(sinceOf(entry)) })}`));
  if (entry.cause) card.append(make('p', {}, t(`cause_${entry.cause}`)));
  card.append(make('ul', {}, ...entry.issues.map((issue) => issueLine(issue, !entry.bib))));
  const buttons = make('div', { class: 'row' });
  if (entry.bib) {
    buttons.append(make('button', { class: 'main', onclick: () => settle(entry) }, t('settle')));
    buttons.append(make('a', { class: 'button', href: `/ask#${entry.bib}` }, `${t('history')} ${entry.bib}`));
  } else if (lead) {
    for (const issue of entry.issues) {
      buttons.append(make('button', { onclick: () => takeOff(issue) }, t('take_off', { bib: issue.bib })));
    }
  }
  card.append(buttons);
  return card;
}
function showDoubles(floor) {
  const { doubles, doubles_count: all, role } = floor;
  show('doubles', [doubles, all, role], () => [
    ...doubles.map((entry) => doubleCard(entry, role === 'lead')),
    doubles.length === 0 ? make('p', {}, t('no_doubles')) : null,
    doubles.length < all ? make('p', {}, t('more_doubles', { shown: doubles.length, all })) : null,
  ]);
}

// ---- tables ----
const marks = {
  open: 'good', closed: 'done', away: 'away', unheard: 'away', fetch: 'bad', dead: 'gone', stolen: 'gone',
};
const heads = ['c_table', 'c_state', 'c_heard', 'c_behind', 'c_helper', 'c_roll', 'c_issued', 'c_recent',
  'c_bibs', 'c_act'];
const numeric = new Set(['c_behind', 'c_issued', 'c_recent']);

function heardText(table) {
  if (table.self || table.connected) return t('now');
  if (table.last_heard) return time(table.last_heard, true);
  return table.last_record ? time(table.last_record) : t('never');
}
function tableRow(table, lead) {
  const number = (n) => make('td', { class: 'number' }, count(n));
  const may = lead && !table.self && table.role !== 'lead' && table.state !== 'dead' && table.state !== 'stolen';
  const state = make('span', { class: `mark ${marks[table.state]}` }, t(`t_${table.state}`));
  if (table.state === 'fetch') state.style.whiteSpace = 'normal';
  return make('tr', {},
    make('th', { scope: 'row' }, table.name, table.self ? ` (${t('this_one')})` : ''),
    make('td', {}, state),
    make('td', {}, heardText(table)), number(table.behind), make('td', {}, table.helper),
    make('td', {}, table.roll), number(table.issued), number(table.recent), make('td', {}, table.bibs),
    make('td', {}, may ? make('button', {
      onclick: () => retire(table.name), 'aria-label': `${t('retire')} ${table.name}`,
    }, t('retire')) : null));
}
function showTables(floor) {
  const lead = floor.role === 'lead';
  const tables = [...floor.tables].sort((a, b) => a.name.localeCompare(b.name, undefined, { numeric: true }));
  show('tables', [tables, lead], () => [make('table', {},
    make('thead', {}, make('tr', {}, ...heads.map((name) =>
      make('th', { scope: 'col', class: numeric.has(name) ? 'number' : undefined }, t(name))))),
    make('tbody', {}, ...tables.map((table) => tableRow(table, lead))))]);
}

// ---- categories, holds, the list that is out ----
function category({ name, issued, planned }) {
  const text = t('category_line', { issued: count(issued), planned: count(planned) });
  return make('div', {}, make('div', {}, make('strong', {}, name), `: ${text}`),
    make('progress', { value: issued, max: Math.max(planned, 1), 'aria-label': `${name}: ${text}` }));
}
const holdMark = { held: 'h', missing: 'm', reprint: 'r' };
function showHolds({ holds }) {
  show('holds', holds, () => (holds.count === 0 ? [make('p', {}, t('no_holds'))] : [
    make('table', {}, make('thead', {}, make('tr', {}, ...['hd_bib', 'hd_how', 'hd_reason', 'hd_who'].map((name) =>
      make('th', { scope: 'col' }, t(name))))),
    make('tbody', {}, ...holds.list.map((hold) => make('tr', {},
      make('td', {}, make('a', { href: `/ask#${hold.bib}` }, hold.bib)),
      make('td', {}, t(`m_${holdMark[hold.how]}`)), make('td', {}, hold.reason),
      make('td', {}, whoOf(hold)))))),
    holds.list.length < holds.count
      ? make('p', {}, t('more_holds', { shown: holds.list.length, all: holds.count })) : null,
  ]));
}
// ---- bibs that somebody has to look at ----
const LOOKED_MAX = 60;
const lookKinds = ['e', 'q', 'p'];
const bibLink = (bib) => make('li', {}, make('a', { href: `/ask#${bib}` }, bib));
function showLooks({ map }) {
  const bibs = { e: [], q: [], p: [] };
  for (const { first, last, state } of map ? runsOf(map) : []) {
    for (let bib = first; bibs[state] && bib <= last; bib++) bibs[state].push(bib);
  }
  find('look_at').hidden = lookKinds.every((kind) => bibs[kind].length === 0);
  show('looks', bibs, () => lookKinds.filter((kind) => bibs[kind].length > 0).flatMap((kind) => [
    make('p', {}, make('strong', {}, `${t(`m_${kind}`)}: ${count(bibs[kind].length)}`)),
    make('ul', { class: 'bibs' }, ...bibs[kind].slice(0, LOOKED_MAX).map(bibLink)),
    bibs[kind].length > LOOKED_MAX ? make('p', {}, t('more_bibs', { shown: LOOKED_MAX, all: count(bibs[kind].length) })) : null,
  ]));
}

// ---- the list: what it lacks, which is out, what changed since ----
function notClosed(table) {
  const { name, connected } = table;
  if (connected) return t('nc_open', { name });
  return heardText(table) === t('never') ? t('nc_never', { name }) : t('nc_away', { name, time: heardText(table) });
}
async function showSince() {
  const answer = await fetch('/since', {
    method: 'POST', headers: { 'Content-Type': 'application/json' }, body: '{}',
  }).then((got) => got.json()).catch(() => null);
  if (!answer) return find('since').replaceChildren(make('p', { class: 'error' }, t('lost')));
  const text = t(answer.count === 0 ? 'since_none' : 'since_are', { number: answer.number, count: count(answer.count) });
  const parts = [make('p', {}, text), make('ul', { class: 'bibs' }, ...answer.bibs.map(bibLink))];
  if (answer.bibs.length < answer.count) {
    parts.push(make('p', {}, t('more_bibs', { shown: answer.bibs.length, all: count(answer.count) })));
  }
  if (answer.count > 0) parts.push(make('p', { class: 'note' }, t('since_how')));
  return find('since').replaceChildren(...parts);
}
function showList({ handover, tables }) {
  const open = tables.filter(({ self, closed, role, state }) =>
    !self && !closed && role !== 'reader' && state !== 'dead' && state !== 'stolen');
  const lines = open.map(notClosed).sort((a, b) => a.localeCompare(b, undefined, { numeric: true }));
  show('not_closed', lines, () => [
    make('p', {}, t(lines.length > 0 ? 'nc_some' : 'nc_none')),
    make('ul', {}, ...lines.map((line) => make('li', {}, line)))]);
  if (!handover) {
    find('list_out').textContent = t('no_list');
    find('since').replaceChildren();
    return;
  }
  show('since', [handover.number, handover.same], () => [handover.same ? null
    : make('button', { onclick: () => showSince() }, t('since_show'))]);
  const who = handover.helper ? t('who', { table: handover.table, helper: handover.helper }) : handover.table;
  find('list_out').textContent = `${t('list_is', {
    number: handover.number, bibs: count(handover.lines), who, time: time(handover.time),
  })} ${t(handover.same ? 'list_same' : 'list_changed')}`;
}

dress('floor');
watchMap();
watchTickets();
let newest;
function showAll(floor) {
  showFigures(floor);
  show('alarms', floor.alarms, () => (floor.alarms.length > 0 ? floor.alarms.map(alarmCard)
    : [make('p', {}, t('no_alarms'))]));
  showDoubles(floor);
  showTables(floor);
  show('categories', floor.categories, () => floor.categories.map(category));
  showMap(floor.map);
  showPace(floor);
  showHolds(floor);
  showLooks(floor);
  showList(floor);
}
listen('floor,desk', {
  // The chip of a bib that is settled may be read at this table's own antenna.
  desk: chipHeard((chip) => {
    if (!find('a_chip')) return;
    find('a_chip').value = chip;
    find('a_chip').dispatchEvent(new Event('change'));
  }),
  status: (status) => {
    showStatus(status);
    showTickets(status);
  },
  floor: (floor) => showAll((newest = floor)),
});
// The forecast and "now" move on with the clock, also when nothing else does.
setInterval(() => newest && showAll(newest), 60000);
