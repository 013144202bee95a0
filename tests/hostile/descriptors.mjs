// descriptors.mjs: a machine that gives the node few descriptors, and crowds that would take them
// all: the table goes on issuing, though each command needs a descriptor, and keeps its sessions.
import test from 'node:test';
import { spawnSync } from 'node:child_process';
import { chmodSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { program, sleep } from '../field.mjs';
import { assertWell, attack, idle, MiB, open, tool, underAttack } from './attack.mjs';

const FEW = 160;

// Outside: starts itself again, with a program that has few descriptors.
if (!process.env.BIBWEAVE_FEW) {
  const folder = mkdtempSync(join(tmpdir(), 'bw-'));
  const wrapper = join(folder, 'bibweave');
  writeFileSync(wrapper, `#!/bin/sh\nulimit -n ${FEW} && exec '${program}' "$@"\n`);
  chmodSync(wrapper, 0o755);
  const env = { ...process.env, BIBWEAVE: wrapper, BIBWEAVE_FEW: String(FEW),
    HOSTILE: tool('hostile', 'HOSTILE') };
  const { status } = spawnSync(process.execPath, [fileURLToPath(import.meta.url)], { env,
    stdio: 'inherit' });
  rmSync(folder, { recursive: true, force: true });
  process.exit(status ?? 1);
}

test('few descriptors', async (t) => {
  const at = await open(t);
  await t.test('1,000 idle connections', async (t) => {
    const crowd = idle(t, at.table.address, 1000, true);
    await underAttack(t, at, `with ${FEW} descriptors`, sleep(4000), 64 * MiB);
    crowd.end();
  });
  await t.test('300 strangers with keys', async (t) => {
    await underAttack(t, at, `with ${FEW} descriptors`, attack(t, 'crowd', { target: at.table,
      by: at.spare, stranger: true, count: 300, for_ms: 5000 }), 64 * MiB);
  });
  await assertWell(at);
});
