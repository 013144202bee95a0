// What a lead does from the floor: settle a double, take a chip off a bib, put a station out.
import { chipText, find, make, saidOf, t, time, verb } from './app.js';

const SEALED = 100;
const helperNow = () => localStorage.getItem('initials') ?? '';

export const whoOf = (issue) => t('live_at', {
  who: issue.helper ? t('who', { table: issue.table, helper: issue.helper }) : issue.table,
  time: time(issue.time, true),
});

export const field = (id, label, attributes = {}) => make('div', {},
  make('label', { for: id }, t(label)), make('input', { type: 'text', id, autocomplete: 'off', ...attributes }));
const radio = (name, value, text, checked) => make('label', {},
  make('input', { type: 'radio', name, value, checked }), ' ', text);
const picked = (name) => document.querySelector(`input[name="${name}"]:checked`)?.value;

// Shows a dialog: `parts` between the title and the buttons; `act` gives an error's text, or
// nothing when it is done.
export function open(title, parts, label, act) {
  const dialog = find('dialog');
  const error = make('p', { class: 'error', role: 'alert' });
  const form = make('form', {}, make('h2', { id: 'dialog_title' }, title.replace('…', '')), ...parts, error,
    make('div', { class: 'row' }, make('button', { class: 'main' }, label),
      make('button', { type: 'button', onclick: () => dialog.close() }, t('cancel'))));
  form.addEventListener('submit', async (event) => {
    event.preventDefault();
    const wrong = await act();
    if (wrong) error.textContent = wrong;
    else dialog.close();
  });
  // A scanner ends with Enter: that goes to the next field, and never confirms by itself.
  form.addEventListener('keydown', (event) => {
    if (event.key !== 'Enter' || event.target.type !== 'text') return;
    event.preventDefault();
    const fields = [...form.querySelectorAll('input[type="text"], button.main')];
    event.target.dispatchEvent(new Event('change'));
    fields[fields.indexOf(event.target) + 1]?.focus();
  });
  dialog.replaceChildren(form);
  dialog.showModal();
  return error;
}

export async function run(name, words) {
  const helper = find('a_helper')?.value.trim() ?? '';
  localStorage.setItem('initials', helper);
  const answer = await verb(name, helper ? [`--helper=${helper}`, ...words] : words);
  if (answer.status === SEALED) return t('sealed');
  return answer.status === 0 ? undefined : saidOf(answer);
}
const helperField = () => field('a_helper', 's_helper', { value: helperNow(), maxlength: 8, size: 8 });

// ---- a bib that was chipped twice ----

// What a chip that was read says: EPC/TID, or one of them. Chips of one bib mostly have one EPC, and
// only the TID, which the maker wrote, tells them apart. {sure: issues that have it, maybe: issues
// whose chip's TID nobody read, so that it could be theirs}.
function issuesOfChip(issues, text) {
  const [epc, tid] = text.toUpperCase().replace(/\s/g, '').split('/');
  const having = (same) => issues.filter((issue) => issue.tags.some(same));
  if (!tid) return { sure: having((tag) => tag.epc === epc || tag.tid === epc), maybe: [] };
  const sure = having((tag) => tag.tid === tid);
  return { sure, maybe: sure.length > 0 ? [] : having((tag) => !tag.tid && tag.epc === epc) };
}

function readChip(issues, text, said) {
  const { sure, maybe } = issuesOfChip(issues, text);
  for (const choice of document.querySelectorAll('input[name="keep"]')) {
    choice.checked = sure.length === 1 && choice.value === sure[0].record;
  }
  const tids = sure.every(({ tags }) => tags.every(({ tid }) => tid));
  said.textContent = sure.length === 1 ? t('s_match', { who: whoOf(sure[0]) })
    : sure.length > 1 ? t(tids ? 's_same' : 's_same_no_tid')
      : maybe.length > 0 ? t('s_maybe', { who: maybe.map(whoOf).join('; ') }) : t('s_no_chip');
  said.className = sure.length === 1 ? 'note' : 'error';
}

export function settle({ bib, issues }) {
  const said = make('p', { class: 'note', role: 'status' });
  const unseen = make('input', { type: 'checkbox', id: 'a_unseen' });
  const keep = make('fieldset', {}, make('legend', {}, t('s_which')), ...issues.map((issue) =>
    radio('keep', issue.record, `${whoOf(issue)} (${issue.tags.map(chipText).join(', ')})`, false)));
  const where = make('fieldset', {}, make('legend', {}, t('s_other')),
    radio('where', 'lost', t('s_lost'), true), radio('where', 'destroyed', t('s_destroyed'), false));
  const bibOk = () => find('a_bib').value.trim().replace(/^0+(?=.)/, '').toUpperCase() === bib;
  const parts = [
    make('div', { class: 'row' }, field('a_bib', 's_scan'), field('a_chip', 's_read', { size: 28 })),
    said,
    make('p', {}, unseen, ' ', make('label', { for: 'a_unseen' }, t('s_unseen'))),
    keep, where,
    make('div', { class: 'row' }, field('a_reason', 's_reason', { maxlength: 200 }), helperField()),
  ];
  open(t('settle_title', { bib }), parts, t('s_do'), () => {
    if (!unseen.checked && find('a_bib').value.trim() === '') return t('s_need');
    if (!unseen.checked && !bibOk()) return t('s_not_bib', { bib });
    if (!picked('keep')) return t('s_need_which');
    const words = [`--keep=${picked('keep')}`, `--chip=${picked('where')}`];
    if (unseen.checked) words.push('--unseen');
    const reason = find('a_reason').value.trim();
    if (reason) words.push(`--reason=${reason}`);
    return run('settle', [...words, '--', bib]);
  });
  find('a_bib').addEventListener('change', () => {
    said.textContent = bibOk() ? '' : t('s_not_bib', { bib });
    said.className = 'error';
  });
  find('a_chip').addEventListener('change', () => {
    if (find('a_chip').value.trim()) readChip(issues, find('a_chip').value, said);
  });
}

// ---- one chip on two bibs ----

export function takeOff(issue) {
  open(t('void_title', { bib: issue.bib }), [
    make('p', {}, whoOf(issue)),
    make('div', { class: 'row' }, field('a_reason', 'void_reason', { maxlength: 200 }), helperField()),
  ], t('void_do'), () => {
    const reason = find('a_reason').value.trim();
    return reason ? run('void', [`--reason=${reason}`, '--', issue.record]) : t('void_need');
  });
}

// ---- a station that is gone ----

export function retire(table) {
  open(t('retire_title', { table }), [
    make('p', {}, t('retire_final')),
    make('fieldset', {}, make('legend', {}, t('r_how')),
      radio('how', '--dead', t('r_dead'), false), radio('how', '--stolen', t('r_stolen'), false)),
    make('div', { class: 'row' }, field('a_reason', 's_reason', { maxlength: 200 }), helperField()),
  ], t('r_do'), () => {
    if (!picked('how')) return t('r_need');
    const reason = find('a_reason').value.trim();
    return run('retire', [picked('how'), ...(reason ? [`--reason=${reason}`] : []), '--', table]);
  });
}
