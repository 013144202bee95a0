// The pace of the day: bars per ten minutes, their sum as a line, and a forecast of when the plan is
// done: the rate of the last half hour, drawn on.
import { count, find, make, t, time } from './app.js';

const BIN = 600000;
const HALF_HOUR = 1800000;
const WIDTH = 1000;
const HEIGHT = 320;
const LEFT = 70;
const RIGHT = 20;
const TOP = 24;
const BOTTOM = 34;
const AHEAD_MAX = 12 * 3600000;

const svg = (tag, attributes, ...children) => {
  const element = document.createElementNS('http://www.w3.org/2000/svg', tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
};

// [[begin, count]] per ten minutes, of the last day of work: a clock that is years off would
// stretch the plot to nothing.
function gather({ bins }) {
  const end = bins.at(-1)?.[0] ?? 0;
  const sums = new Map();
  for (const [at, made] of bins) {
    if (end - at > 3 * 86400000) continue;
    const begin = Math.floor(at / BIN) * BIN;
    sums.set(begin, (sums.get(begin) ?? 0) + made);
  }
  return [...sums].sort(([a], [b]) => a - b);
}

// Chipped per ms in the last half hour; on a day that began later, since then.
export function rateOf({ bins, width_ms: width }, now = Date.now()) {
  const lately = bins.filter(([at]) => at + width > now - HALF_HOUR && at <= now);
  if (lately.length === 0) return 0;
  const begun = bins.some(([at]) => at + width <= now - HALF_HOUR) ? HALF_HOUR : now - lately[0][0];
  return lately.reduce((sum, [, n]) => sum + n, 0) / Math.max(begun, BIN);
}

// When the plan is done at that rate; undefined if nobody can say.
export function forecast({ planned, issued, pace }, now = Date.now()) {
  const rate = rateOf(pace, now);
  return rate > 0 ? now + (planned - issued) / rate : undefined;
}

function axis(from, to, x, y, top) {
  const parts = [svg('path', {
    class: 'axis', fill: 'none',
    d: `M${LEFT} ${TOP}V${HEIGHT - BOTTOM}H${WIDTH - RIGHT}`,
  })];
  for (let i = 0; i <= 4; i++) {
    const at = from + ((to - from) * i) / 4;
    parts.push(svg('text', {
      x: x(at), y: HEIGHT - 10, 'text-anchor': i === 0 ? 'start' : i === 4 ? 'end' : 'middle',
    }, time(at)));
  }
  for (const n of [0, top / 2, top]) {
    parts.push(svg('text', { x: LEFT - 8, y: y(n) + 5, 'text-anchor': 'end' }, count(Math.round(n))));
  }
  return parts;
}

function plot(floor, list) {
  const now = Date.now();
  const done = forecast(floor, now);
  const from = list[0][0];
  const until = Math.max(now, list.at(-1)[0] + BIN);
  const to = done && floor.issued < floor.planned ? Math.min(Math.max(done, until), until + AHEAD_MAX) : until;
  const total = list.reduce((sum, [, n]) => sum + n, 0);
  const top = Math.max(floor.planned, total);
  const most = Math.max(...list.map(([, n]) => n));
  const x = (at) => LEFT + ((at - from) / (to - from)) * (WIDTH - LEFT - RIGHT);
  const y = (n) => HEIGHT - BOTTOM - (n / top) * (HEIGHT - TOP - BOTTOM);
  const parts = [];
  let sum = 0;
  const points = [`M${x(from)} ${y(0)}`];
  for (const [at, made] of list) {
    const height = (made / most) * (HEIGHT - TOP - BOTTOM) * 0.35;
    const width = Math.max(2, x(at + BIN) - x(at) - 1);
    parts.push(svg('rect', { class: 'made', x: x(at), y: HEIGHT - BOTTOM - height, width, height }));
    sum += made;
    points.push(`L${x(Math.min(at + BIN, until))} ${y(sum)}`);
  }
  parts.push(svg('path', { class: 'sum', d: points.join('') }));
  if (done && to > until) {
    const end = Math.min(top, sum + rateOf(floor.pace, now) * (to - until));
    parts.push(svg('path', { class: 'ahead', d: `M${x(until)} ${y(sum)}L${x(to)} ${y(end)}` }));
  }
  parts.push(svg('line', { class: 'plan', x1: LEFT, x2: WIDTH - RIGHT, y1: y(floor.planned), y2: y(floor.planned) }),
    svg('text', { x: LEFT + 8, y: y(floor.planned) - 7 }, t('p_planned', { planned: count(floor.planned) })));
  return svg('svg', { id: 'plot', viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: 'img', 'aria-label': t('pace_label') },
    ...axis(from, to, x, y, top), ...parts);
}

export function forecastText(floor) {
  if (floor.issued >= floor.planned) return t('f_done_all');
  const done = forecast(floor);
  return done ? t('f_done', { time: time(done) }) : t('f_done_unknown');
}

export function showPace(floor) {
  const list = gather(floor.pace);
  if (list.length === 0) {
    find('pace').replaceChildren(make('p', {}, t('pace_none')));
    find('pace_table').replaceChildren();
    find('pace_now').textContent = '';
    return;
  }
  const rate = Math.round(rateOf(floor.pace) * 3600000);
  find('pace_now').textContent = `${t('pace_now', { rate: count(rate) })} ${forecastText(floor)}.`;
  find('pace').replaceChildren(plot(floor, list));
  let sum = 0;
  const rows = list.map(([at, made]) => {
    sum += made;
    return make('tr', {}, make('td', {}, time(at)), make('td', { class: 'number' }, count(made)),
      make('td', { class: 'number' }, count(sum)));
  });
  find('pace_table').replaceChildren(make('table', {}, make('thead', {}, make('tr', {},
    make('th', { scope: 'col' }, t('p_time')), make('th', { scope: 'col', class: 'number' }, t('p_count')),
    make('th', { scope: 'col', class: 'number' }, t('p_sum')))), make('tbody', {}, ...rows)));
}
