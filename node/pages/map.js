// The map: one cell for each bib, drawn in one pass from copies of a few small pictures.
//
// A state is told by its shape; colour only helps. Cells come as runs ("120.3c1d") over the ranges
// of the event, and what stands between chipped ones is told as a gap here.
import { count, find, make, t } from './app.js';

const CELL = 11;
const GAP_MAX = 9;
const LABEL = 64; // for the number of a row's first bib
const states = ['c', '.', 'g', 'd', 's', 'o', 'p', 'e', 'q', 'h', 'm', 'r'];

const ink = '#12181b';
const red = '#8c1511';
const deep = '#0a4a52';

// Each draws into a square of CELL - 1.
const shapes = {
  '.': (c) => { c.fillStyle = '#7b868a'; c.fillRect(4, 4, 2, 2); },
  c: (c) => { c.fillStyle = '#2f7d86'; c.fillRect(1, 1, 8, 8); },
  g: (c) => { c.strokeStyle = ink; c.lineWidth = 2; c.strokeRect(1.5, 1.5, 7, 7); },
  d: (c) => cross(c, red, 3),
  s: (c) => { c.fillStyle = red; c.fillRect(1, 1, 3, 8); c.fillRect(6, 1, 3, 8); },
  o: (c) => shape(c, deep, [[5, 0], [10, 5], [5, 10], [0, 5]]),
  p: (c) => shape(c, deep, [[1, 9], [9, 9], [1, 1]]),
  e: (c) => { c.strokeStyle = red; c.lineWidth = 2; c.beginPath(); c.arc(5, 5, 3.5, 0, 7); c.stroke(); },
  q: (c) => { c.fillStyle = red; c.font = 'bold 11px sans-serif'; c.textAlign = 'center'; c.fillText('?', 5, 9); },
  h: (c) => { c.fillStyle = ink; c.fillRect(0, 3, 10, 4); },
  m: (c) => shape(c, ink, [[5, 1], [9.5, 9], [0.5, 9]]),
  r: (c) => shape(c, ink, [[5, 9], [9.5, 1], [0.5, 1]]),
};
function cross(c, colour, width) {
  c.strokeStyle = colour;
  c.lineWidth = width;
  c.beginPath();
  c.moveTo(1, 1); c.lineTo(9, 9); c.moveTo(9, 1); c.lineTo(1, 9);
  c.stroke();
}
function shape(c, colour, points) {
  c.fillStyle = colour;
  c.beginPath();
  for (const [x, y] of points) c.lineTo(x, y);
  c.fill();
}
// A cell in device pixels, so that cells fit together whatever the screen's scale is.
const size = () => Math.round(CELL * (devicePixelRatio || 1));
function picture(state) {
  const cell = size();
  const canvas = make('canvas', { width: cell, height: cell });
  const c = canvas.getContext('2d');
  c.scale(cell / CELL, cell / CELL);
  shapes[state](c);
  canvas.style.width = `${CELL}px`;
  canvas.style.height = `${CELL}px`;
  return canvas;
}

// Runs as [{first, last, state}], in the order of the ranges; a run never crosses a range's end.
export function runsOf({ ranges, cells }) {
  const runs = [];
  let range = 0;
  let at = ranges[0]?.[0];
  for (const [, digits, state] of cells.matchAll(/(\d*)([^\d])/g)) {
    let left = Number(digits || 1);
    while (left > 0 && range < ranges.length) {
      const length = Math.min(left, ranges[range][1] - at + 1);
      runs.push({ first: at, last: at + length - 1, state });
      left -= length;
      at += length;
      if (at > ranges[range][1]) at = ranges[++range]?.[0];
    }
  }
  markGaps(runs);
  return runs;
}

// A gap is up to GAP_MAX that are not chipped, with chipped ones before and behind them. What is on
// hold among them was left out on purpose, and is no gap itself.
function markGaps(runs) {
  const chipped = ({ state }) => 'codspe'.includes(state);
  let begin; // index of the first run behind a chipped one
  for (let i = 1; i < runs.length; i++) {
    if (runs[i].first !== runs[i - 1].last + 1) begin = undefined;
    else if (!chipped(runs[i]) && chipped(runs[i - 1])) begin = i;
    else if (chipped(runs[i]) && begin !== undefined) {
      const between = runs.slice(begin, i);
      const length = between.at(-1).last - between[0].first + 1;
      if (length <= GAP_MAX) {
        for (const run of between) run.state = run.state === '.' ? 'g' : run.state;
      }
      begin = undefined;
    }
  }
}

let shown;   // {runs, columns, first, total}
let due = false;

function layOut(map) {
  const width = find('map').parentElement.clientWidth - LABEL;
  const fits = Math.floor(width / CELL);
  const columns = [100, 50, 25, 20, 10].find((n) => n <= fits) ?? 10;
  const runs = runsOf(map);
  let place = 0; // in cells, each range beginning a row
  let next;
  for (const run of runs) {
    if (next !== undefined && run.first !== next) place = Math.ceil(place / columns) * columns;
    run.place = place;
    place += run.last - run.first + 1;
    next = run.last + 1;
  }
  return { runs, columns, rows: Math.ceil(place / columns) };
}

// Each stretch of a row that is in one state is one rectangle, filled with the state's picture.
function drawRun(c, { first, last, place, state }, columns, cell, patterns) {
  c.fillStyle = patterns[state];
  const end = place + last - first + 1;
  for (let at = place; at < end;) {
    const column = at % columns;
    const wide = Math.min(columns - column, end - at);
    c.fillRect(column * cell, Math.floor(at / columns) * cell, wide * cell, cell);
    at += wide;
  }
}
function labelRows(c, { first, last, place }, columns, cell) {
  const end = place + last - first + 1;
  for (let at = Math.ceil(place / columns) * columns; at < end; at += columns) {
    c.fillText(first + at - place, -8, (at / columns) * cell + cell * 0.82);
  }
}
function draw() {
  due = false;
  const { runs, columns, rows } = shown;
  const canvas = find('map');
  const cell = size();
  const label = Math.round(LABEL * (cell / CELL));
  canvas.width = label + columns * cell;
  canvas.height = rows * cell;
  canvas.style.width = `${LABEL + columns * CELL}px`;
  canvas.style.height = `${rows * CELL}px`;
  const c = canvas.getContext('2d');
  c.translate(label, 0);
  const patterns = Object.fromEntries(states.map((state) =>
    [state, c.createPattern(picture(state), 'repeat')]));
  for (const run of runs) drawRun(c, run, columns, cell, patterns);
  c.fillStyle = ink;
  c.font = `${Math.round(cell)}px sans-serif`;
  c.textAlign = 'right';
  for (const run of runs) labelRows(c, run, columns, cell);
}

function runAt(event) {
  if (!shown) return undefined;
  const column = Math.floor((event.offsetX - LABEL) / CELL);
  if (column < 0 || column >= shown.columns) return undefined;
  const place = Math.floor(event.offsetY / CELL) * shown.columns + column;
  const run = shown.runs.find(({ place: at, first, last }) => place >= at && place <= at + last - first);
  return run && { bib: run.first + place - run.place, state: run.state };
}

function totals(runs) {
  const sums = {};
  for (const { first, last, state } of runs) sums[state] = (sums[state] ?? 0) + last - first + 1;
  return sums;
}

function legend(runs) {
  const sums = totals(runs);
  find('legend').replaceChildren(...states.filter((state) => sums[state]).map((state) =>
    make('li', {}, picture(state), `${t(`m_${state}`)}: ${count(sums[state])}`)));
}

const ROWS_MAX = 300;
function table(runs) {
  const told = [...runs.filter(({ state }) => state !== 'c' && state !== '.'),
    ...runs.filter(({ state }) => state === 'c' || state === '.')];
  const rows = told.slice(0, ROWS_MAX).map(({ first, last, state }) => make('tr', {},
    make('td', {}, make('a', { href: `/ask#${first}` }, first === last ? `${first}` : `${first}–${last}`)),
    make('td', {}, t(`m_${state}`)),
    make('td', { class: 'number' }, count(last - first + 1))));
  const more = told.length > ROWS_MAX
    ? make('p', {}, t('map_more', { shown: ROWS_MAX, all: count(told.length) })) : null;
  find('map_table').replaceChildren(...[make('table', {},
    make('thead', {}, make('tr', {}, make('th', { scope: 'col' }, t('m_from')),
      make('th', { scope: 'col' }, t('m_state')), make('th', { scope: 'col', class: 'number' }, t('m_count')))),
    make('tbody', {}, ...rows)), more].filter(Boolean));
}

let last;
export function showMap(map) {
  find('map').hidden = map === null;
  if (map === null) {
    find('map_how').textContent = t('map_none');
    return;
  }
  const same = last && last.cells === map.cells;
  last = map;
  if (same) return;
  shown = layOut(map);
  find('map').setAttribute('aria-label', t('map_label'));
  find('map_how').textContent = t('map_how', { columns: shown.columns });
  legend(shown.runs);
  table(shown.runs);
  if (!due) requestAnimationFrame(draw);
  due = true;
}

export function watchMap() {
  const canvas = find('map');
  canvas.addEventListener('pointermove', (event) => {
    const at = runAt(event);
    find('pointed').textContent = at ? `${t('bib', { bib: at.bib })}: ${t(`m_${at.state}`)}` : '';
  });
  canvas.addEventListener('click', (event) => {
    const at = runAt(event);
    if (at) location.href = `/ask#${at.bib}`;
  });
  addEventListener('resize', () => {
    if (!last) return;
    shown = layOut(last);
    if (!due) requestAnimationFrame(draw);
    due = true;
  });
}
