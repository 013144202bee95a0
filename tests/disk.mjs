// disk.mjs: a small disk of a test's own, to be run full. Needs mount, so it lives inside the
// namespaces that enterNamespaces made.
import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { closeSync, mkdirSync, openSync, rmSync, statfsSync, writeSync } from 'node:fs';
import { join } from 'node:path';
import { atEnd } from './field.mjs';

// A file system of `size_mib` at `folder`, which is gone when the test ends.
export function smallDisk(t, folder, size_mib = 24) {
  mkdirSync(folder, { recursive: true });
  const options = `size=${size_mib}m,mode=0700`;
  const made = spawnSync('mount', ['-t', 'tmpfs', '-o', options, 'none', folder]);
  assert.equal(made.status, 0, String(made.stderr));
  atEnd(t, () => spawnSync('umount', [folder]));
}

// Fills the disk but for `left` bytes with a file of the test's own. Others may be writing, too.
export function fill(folder, left) {
  const { bavail, bsize } = statfsSync(folder);
  const fd = openSync(join(folder, 'filler'), 'a');
  try {
    for (let rest = bavail * bsize - left; rest > 0; rest -= 65536) {
      writeSync(fd, Buffer.alloc(Math.min(rest, 65536)));
    }
  } catch (error) {
    if (error.code !== 'ENOSPC') throw error;
  } finally {
    closeSync(fd);
  }
}

export function makeRoom(folder) {
  rmSync(join(folder, 'filler'), { force: true });
}
