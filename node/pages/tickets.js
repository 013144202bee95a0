// Tickets, for the lead: making them, on paper without a file on the disk, and what became of them.
//
// What lets a station in is shown while its sheets are looked at, and nowhere kept.
import { find, make, saidOf, t, time, verb } from './app.js';
import { field, open } from './acts.js';

const marks = { open: 'good', used: 'done', cancelled: 'gone', expired: 'away' };
const heads = ['tk_name', 'c_state', 'c_bibs', 'tk_until', 'tk_cancel'];
let seen; // records at the time of the list that is shown

function row(ticket) {
  const { state, name, bibs, expires, used_by: by, used_at: at } = ticket;
  const words = state === 'used' ? t('tk_used', { who: by, time: time(at) }) : t(`tk_${state}`);
  return make('tr', {}, make('th', { scope: 'row' }, name),
    make('td', {}, make('span', { class: `mark ${marks[state]}` }, words)),
    make('td', {}, bibs), make('td', {}, time(expires)),
    make('td', {}, state === 'open' ? make('button', {
      onclick: () => cancel(ticket), 'aria-label': `${t('tk_cancel')} ${name}`,
    }, t('tk_cancel')) : null));
}
async function refresh() {
  const { out } = await verb('ticket list');
  const tickets = [...out?.tickets ?? []].sort((a, b) => a.name.localeCompare(b.name, undefined, { numeric: true }));
  find('tickets').replaceChildren(tickets.length === 0 ? make('p', {}, t('tk_none')) : make('table', {},
    make('thead', {}, make('tr', {}, ...heads.map((name) => make('th', { scope: 'col' }, t(name))))),
    make('tbody', {}, ...tickets.map(row))));
}
function cancel({ name, id }) {
  open(t('tk_cancel_title', { name }), [make('p', {}, t('tk_cancel_what'))], t('tk_cancel_do'), async () => {
    const answer = await verb('ticket cancel', ['--', id]);
    return answer.status === 0 ? undefined : saidOf(answer);
  });
}

// ---- on paper ----
function hideSheets() {
  find('sheets').hidden = true;
  find('sheets').replaceChildren();
  document.body.classList.remove('paper');
  find('new_tickets').focus();
}
// An SVG in an image runs no script and asks for nothing (SVG 2, secure static mode).
function showSheets({ pages, tickets, expires, address }) {
  const sheet = (svg, i) => make('img', {
    src: `data:image/svg+xml;charset=utf-8,${encodeURIComponent(svg)}`,
    alt: t('tk_sheet', { number: i + 1, names: tickets.slice(i * 8, i * 8 + 8).map(({ name }) => name).join(', ') }),
  });
  const say = make('div', { class: 'say_print' }, make('p', { tabindex: -1 },
    t('tk_made', { count: tickets.length, time: time(expires), address })),
  make('div', { class: 'row' }, make('button', { class: 'main', onclick: () => print() }, t('tk_print')),
    make('button', { onclick: hideSheets }, t('tk_done'))));
  find('sheets').replaceChildren(say, ...pages.map(sheet));
  find('sheets').hidden = false;
  document.body.classList.add('paper');
  say.firstChild.focus();
}
function askTickets() {
  const value = (id) => find(id).value.trim();
  open(t('tk_make'), [make('div', { class: 'row' },
    field('tk_tables', 'tk_tables', { value: '1-4', maxlength: 60, size: 12 }),
    field('tk_spare', 'tk_spare', { value: '2', maxlength: 4, size: 5 }),
    field('tk_each', 'tk_each', { maxlength: 9, size: 8 })),
  make('div', { class: 'row' }, field('tk_address', 'tk_address', { maxlength: 64, size: 24 })),
  make('p', { class: 'note' }, t('tk_how'))], t('tk_do'), async () => {
    const words = ['--inline'];
    for (const [option, id] of [['tables', 'tk_tables'], ['spare', 'tk_spare'], ['bibs-each', 'tk_each'],
      ['address', 'tk_address']]) {
      if (value(id)) words.push(`--${option}=${value(id)}`);
    }
    const answer = await verb('ticket', words);
    if (answer.status !== 0) return saidOf(answer);
    setTimeout(showSheets, 0, answer.out); // behind the dialog's end
    return undefined;
  });
}

export function showTickets({ role, records }) {
  find('tickets_part').hidden = role !== 'lead';
  if (role !== 'lead' || seen === records) return;
  seen = records;
  refresh();
}
export function watchTickets() {
  find('new_tickets').addEventListener('click', askTickets);
}
