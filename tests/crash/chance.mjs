// chance.mjs: numbers drawn from one seed, so that a failure can be tried again.
//
// What a process is doing when it is killed depends on the machine, too: a seed replays what is
// done and when, not every instant.
import { randomInt } from 'node:crypto';

// The seed of this run: $SEED, else 1; SEED=fresh draws one. To be printed.
export const seed = process.env.SEED === 'fresh' ? randomInt(1, 2 ** 20)
  : Number(process.env.SEED || 1);

// A generator (mulberry32, public domain) with a few shapes on top.
export class Chance {
  constructor(from = seed) {
    this.state = from >>> 0;
  }
  // In [0, 1).
  draw() {
    this.state = (this.state + 0x6d2b79f5) >>> 0;
    let t = this.state;
    t = Math.imul(t ^ (t >>> 15), t | 1);
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
    return ((t ^ (t >>> 14)) >>> 0) / 2 ** 32;
  }
  // In first..last.
  between(first, last) {
    return first + Math.floor(this.draw() * (last - first + 1));
  }
  pick(items) {
    return items[this.between(0, items.length - 1)];
  }
  one(of) {
    return this.draw() * of < 1;
  }
}
