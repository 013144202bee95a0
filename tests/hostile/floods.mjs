// floods.mjs: a station that was admitted and is broken, or in the wrong hands: it has a session and
// floods another table. That table goes on issuing, stays small, keeps its other sessions, and
// nothing false gets in. How much slower an issue is meanwhile is printed, as a ratio.
import test from 'node:test';
import assert from 'node:assert/strict';
import { join } from 'node:path';
import { stack } from '../field.mjs';
import { assertWell, attack, inMiB, MiB, open, underAttack } from './attack.mjs';

// What a flood may cost in memory.
const BOUND = 96 * MiB;

test('floods of an admitted station', async (t) => {
  const at = await open(t, async ({ place, lead, spare }) => {
    // There is something to ask for, and the broken station knows of it.
    await lead.issue(stack(1, 900));
    const stick = join(place, 'stick');
    await lead.must(['carry', 'out', stick]);
    await spare.must(['carry', 'in', stick]);
  });
  const { table, spare } = at;
  // With the messages that it has to be to be a flood: those that are too large end a connection.
  for (const [mode, least] of [['garbage', 200], ['wants', 200], ['forged', 200], ['haves', 200],
    ['hellos', 200], ['roads', 200], ['oversize', 15], ['pushes', 50]]) {
    await t.test(mode, async (t) => {
      const seen = await underAttack(t, at, mode, attack(t, mode, { target: table, by: spare,
        for_ms: 1500 }), BOUND);
      t.diagnostic(`${seen.sent} messages, ${inMiB(seen.sent_bytes)} sent, ${seen.heard} answers, ` +
        `hung up on ${seen.dropped} times`);
      assert.ok(seen.session, 'there was no session');
      assert.ok(seen.sent >= least, `a flood of ${seen.sent} messages is none`);
    });
  }
  await assertWell(at, '--every');
});
