// sample.mjs: the program's answers on samples (sample.c) beside whole numbers of any size, which
// never round. The chance of at most k wrong ones among n of N, with D wrong ones in it, is
// ways(k) / C(N, n), and both are counted here.
//
// Usage: SAMPLE=PROGRAM node --test sample.mjs [in the environment: SEED, CASES]
import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { test } from 'node:test';

const seed = Number(process.env.SEED ?? 1);
const cases = Number(process.env.CASES ?? 3000);
let state = seed >>> 0;
function random() { // mulberry32
  state = (state + 0x6d2b79f5) >>> 0;
  let mixed = Math.imul(state ^ (state >>> 15), state | 1);
  mixed = (mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61)) ^ mixed;
  return ((mixed ^ (mixed >>> 14)) >>> 0) / 2 ** 32;
}
const between = (low, high) => low + Math.floor(random() * (high - low + 1));
const pick = (list) => list[between(0, list.length - 1)];
const usable = ['50%', '0.75', '80%', '90%', '95%', '97.5%', '99%', '99.9%', '99.9999%'];

function ask(lines) {
  const run = spawnSync(process.env.SAMPLE, { input: `${lines.join('\n')}\n`, encoding: 'utf8',
    maxBuffer: 1 << 28, timeout: 110_000 });
  assert.equal(run.status, 0, run.stderr);
  const answers = run.stdout.trimEnd().split('\n');
  assert.equal(answers.length, lines.length);
  return answers;
}

function choose(from, taken) {
  if (taken < 0 || taken > from) return 0n;
  let ways = 1n;
  for (let i = 0; i < Math.min(taken, from - taken); i++) ways = ways * BigInt(from - i) / BigInt(i + 1);
  return ways;
}
// Straight from the definition: no term is made from another one.
function ways(N, D, n, k) {
  let sum = 0n;
  for (let j = 0; j <= k; j++) sum += choose(D, j) * choose(N - D, n - j);
  return sum;
}
// The confidence as [part, whole], exactly.
function exact(text) {
  const percent = text.endsWith('%');
  const [before, behind = ''] = text.replace('%', '').split('.');
  return [BigInt(before + behind), 10n ** BigInt(behind.length + (percent ? 2 : 0))];
}
function rulesOut(N, D, n, k, confidence) {
  const [part, whole] = exact(confidence);
  return ways(N, D, n, k) * whole <= (whole - part) * choose(N, n);
}

test('whether looks rule out a number of wrong ones, for small stacks all cases', () => {
  const all = [];
  for (let N = 1; N <= 9; N++) {
    for (let D = 0; D <= N; D++) {
      for (let n = 0; n <= N; n++) {
        for (let k = 0; k <= n; k++) for (const c of usable) all.push([N, D, n, k, c]);
      }
    }
  }
  const answers = ask(all.map((one) => `rules ${one.join(' ')}`));
  let ties = 0;
  all.forEach((one, i) => {
    assert.equal(answers[i], rulesOut(...one) ? '1' : '0', `${one}`);
    const [part, whole] = exact(one[4]);
    const [N, D, n, k] = one;
    if (ways(N, D, n, k) * whole === (whole - part) * choose(N, n)) ties++;
  });
  assert.ok(ties > 20, `${ties} ties, where rounding would decide`);
});

test('the same at random, with some found wrong', () => {
  const all = [];
  for (let i = 0; i < cases; i++) {
    const N = between(1, pick([30, 300, 2000]));
    const n = between(0, N);
    const D = between(0, pick([Math.min(N, 5), N]));
    all.push([N, D, n, between(0, Math.min(n, pick([1, 3, 10]))), pick(usable)]);
  }
  const answers = ask(all.map((one) => `rules ${one.join(' ')}`));
  all.forEach((one, i) => {
    assert.equal(answers[i], rulesOut(...one) ? '1' : '0', `${one}, seed ${seed}`);
  });
});

test('how many to look at: enough, and one fewer is not', () => {
  const all = [];
  for (let i = 0; i < cases; i++) {
    const N = between(1, pick([20, 100, 1000, 20000, 1000000]));
    // Whole numbers of a million bits take too long here, not in the program.
    const D = N > 20000 ? between(1, 200) : between(1, pick([Math.min(N, 3), Math.ceil(N / 20), N]));
    all.push([N, D, pick(usable)]);
  }
  const answers = ask(all.map((one) => `needed ${one.join(' ')}`));
  all.forEach(([N, D, c], i) => {
    const n = Number(answers[i]);
    // C(N-D, n) / C(N, n) = C(N-n, D) / C(N, D): the smaller of n and D is what is counted.
    const misses = (looks) => {
      const [part, whole] = exact(c);
      const [a, b] = looks < D ? [choose(N - D, looks), choose(N, looks)]
        : [choose(N - looks, D), choose(N, D)];
      return a * whole <= (whole - part) * b;
    };
    assert.ok(misses(n), `${N} ${D} ${c}: ${n} is too few, seed ${seed}`);
    assert.ok(n === 0 || !misses(n - 1), `${N} ${D} ${c}: ${n} is too many, seed ${seed}`);
  });
});

test('the most that may be wrong', () => {
  const all = [];
  for (let i = 0; i < cases / 3; i++) {
    const N = between(1, pick([30, 300, 2000]));
    const n = between(0, N);
    all.push([N, n, between(0, Math.min(n, pick([0, 2, 8]))), pick(usable)]);
  }
  const answers = ask(all.map((one) => `most ${one.join(' ')}`));
  all.forEach(([N, n, k, c], i) => {
    const most = Number(answers[i]);
    const what = `${N} ${n} ${k} ${c}: ${most}, seed ${seed}`;
    assert.ok(most >= k && most <= N - n + k, what);
    assert.ok(most === N - n + k || rulesOut(N, most + 1, n, k, c), what);
    assert.ok(most === k || !rulesOut(N, most, n, k, c), what);
  });
});

test('a confidence is never more than it is, and less by no more than its last digit', () => {
  const all = [];
  for (let i = 0; i < cases / 3; i++) {
    const N = between(1, pick([30, 300, 3000]));
    const n = between(0, N);
    const D = between(0, pick([Math.min(N, 5), N]));
    all.push([N, D, n, between(0, Math.min(n, 4))]);
  }
  const answers = ask(all.map((one) => `confidence ${one.join(' ')}`));
  all.forEach(([N, D, n, k], i) => {
    const total = choose(N, n);
    const true8 = Number((total - ways(N, D, n, k)) * 100000000n / total);
    const got = Number(answers[i]);
    assert.ok(got <= true8 && got >= true8 - 1, `${[N, D, n, k]}: ${got} for ${true8}, seed ${seed}`);
  });
});

test('a stack of a million is answered at once', () => {
  const began = process.hrtime.bigint();
  const [few, half, many] = ask(['needed 1000000 1 95%', 'needed 1000000 500000 99.9999999%',
    'most 1000000 500000 250000 95%']);
  const took = Number(process.hrtime.bigint() - began) / 1e6;
  assert.equal(few, '950000'); // one wrong one: the chance of missing it is what was not looked at
  assert.equal(half, '30'); // 2^-30 is the first below 10^-9, and far from a tie
  assert.ok(Number(many) > 500000 && Number(many) < 502000, many);
  console.log(`three answers for a stack of 1,000,000: ${took.toFixed(0)} ms`);
});
