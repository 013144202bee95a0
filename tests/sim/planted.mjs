// Plants the faults of planted.txt one at a time and shows that the simulator finds each.
// usage: node planted.mjs BUILD [NUMBER...]       (BUILD is the build folder; all faults without numbers)
// One file is patched, compiled and linked in front of the libraries, so that what is shipped stays
// as it is. Exit status 0 only if each fault was found by one of the invariants that it names.
import { execFileSync, spawnSync } from 'node:child_process';
import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

const source = join(dirname(fileURLToPath(import.meta.url)), '..', '..');
const build = process.argv[2];
const chosen = process.argv.slice(3).map(Number);
const SEEDS = 200; // at most so many histories for each
const PLANS = [['--stations', '8', '--seconds', '10']];

function readFaults() {
  const faults = [];
  for (const line of readFileSync(join(source, 'tests/sim/planted.txt'), 'utf8').split('\n')) {
    const match = /^(what|file|find|with|caught by): (.*)$/.exec(line);
    if (match === null) continue;
    if (match[1] === 'what') faults.push({});
    faults[faults.length - 1][match[1]] = match[2].replaceAll('\\n', '\n');
  }
  return faults;
}

function plant(fault, folder) {
  const text = readFileSync(join(source, fault.file), 'utf8');
  const parts = text.split(fault.find);
  if (parts.length !== 2) throw new Error(`"${fault.find}" stands ${parts.length - 1} times in ${fault.file}`);
  const patched = join(folder, fault.file);
  mkdirSync(dirname(patched), { recursive: true });
  writeFileSync(patched, parts.join(fault.with));
  const sim = join(folder, 'sim');
  execFileSync(process.env.CC ?? 'cc', [
    '-std=c11', '-D_GNU_SOURCE', '-O2', '-g', '-w', `-I${source}`, `-I${join(build, 'common')}`, '-o', sim, patched,
    join(source, 'tests/sim/sim.c'), join(build, 'tests/libbw_sim.a'), join(build, 'common/libbibweave_core.a'),
    join(build, 'tests/libbw_sim.a'), '-lsqlite3', '-lsodium', '-lcbor',
  ]);
  return sim;
}

// The first history that fails, and at what.
function hunt(sim) {
  for (let seed = 1; seed <= SEEDS; seed++) {
    const plan = PLANS[seed % PLANS.length];
    const run = spawnSync(sim, ['--no-shrink', '--seed', String(seed), ...plan], { encoding: 'utf8', timeout: 120000 });
    const found = /seed \d+ failed \[([^\]]+)\]/.exec(run.stderr ?? '');
    if (found !== null) return { seed, invariant: found[1] };
    if (run.status !== 0) return { seed, invariant: `status ${run.status}` };
  }
  return { seed: SEEDS, invariant: 'nothing' };
}

const folder = mkdtempSync(join(tmpdir(), 'planted-'));
let missed = 0;
try {
  for (const [index, fault] of readFaults().entries()) {
    if (chosen.length > 0 && !chosen.includes(index + 1)) continue;
    const { seed, invariant } = hunt(plant(fault, folder));
    const caught = fault['caught by'].split(' ').includes(invariant.split(' ')[0]);
    missed += caught ? 0 : 1;
    console.log(`${caught ? 'found ' : 'MISSED'} ${String(index + 1).padStart(2)}  ${invariant.padEnd(13)} seed ${String(seed).padStart(2)}  ${fault.what}`);
  }
} finally {
  rmSync(folder, { recursive: true, force: true });
}
console.log(missed === 0 ? 'each was found' : `${missed} not found as they should be`);
process.exit(missed === 0 ? 0 : 1);
