// table.mjs: from the scan of a bib to its record on disk: the node's own share of that time beside
// the encoder's. Prints figures and judges none; nothing else should run on the machine meanwhile.
// usage: node tests/bench/table.mjs [COUNT [COMMAND]]     (default 100; needs build/)
// COMMAND is an encoder, as behind --encoder program:, else the rehearsal with a write of 40 ms.
import { spawnSync } from 'node:child_process';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { makeEvent, program } from '../field.mjs';

const count = process.argv[2] || '100';
const command = process.argv[3] || `exec ${program} encoder rehearse slow=40,away=30,next=30`;
const meter = process.env.BENCH_TABLE || join(dirname(program), '../tests/bench_table');

const folder = mkdtempSync(join(process.env.BENCH_DIR || tmpdir(), 'bw-'));
process.on('exit', () => rmSync(folder, { recursive: true, force: true }));
const notes = join(folder, 'notes');
const quoted = `'${command.replaceAll("'", `'\\''`)}'`;

const [table] = await makeEvent(folder, [{ listen: '127.0.0.1:0' }]);
await table.start({
  words: ['--encoder', `program:exec ${meter} between ${notes} ${quoted}`] });
console.log(`${count} bibs, one on demand after another (${folder}):`);
const done = spawnSync(meter, [table.dir, notes, '101', count], { stdio: 'inherit' });
await table.stop();
process.exitCode = done.status ?? 1;
