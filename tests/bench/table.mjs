// table.mjs: from the scan of a bib to its record on disk: the node's own share of that time beside
// the encoder's. Prints figures and judges none; nothing else should run on the machine meanwhile.
// usage: node tests/bench/table.mjs [COUNT [COMMAND]]     (default 100; needs build/)
// COMMAND is an encoder, as behind --encoder program:, else two are measured: the rehearsal with a
// write of 40 ms, and the one of LLRP readers with the simulated reader of tests/llrp.
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { makeEvent, program, sleep } from '../field.mjs';
import { Reader } from '../llrp/reader.mjs';
import { Tag } from '../llrp/tag.mjs';

const GONE_MS = 250; // a chip counts as taken away after so long
const count = process.argv[2] || '100';
const meter = process.env.BENCH_TABLE || join(dirname(program), '../tests/bench_table');

const made = [];
process.on('exit', () => made.forEach((path) => rmSync(path, { recursive: true, force: true })));

async function measure(what, command) {
  const folder = mkdtempSync(join(process.env.BENCH_DIR || tmpdir(), 'bw-'));
  made.push(folder);
  const notes = join(folder, 'notes');
  const quoted = `'${command.replaceAll("'", `'\\''`)}'`;
  const [table] = await makeEvent(folder, [{ listen: '127.0.0.1:0' }]);
  await table.start({ words: ['--gone', String(GONE_MS), '--encoder',
    `program:exec ${meter} between ${notes} ${quoted}`] });
  console.log(`${what}: ${count} bibs, one on demand after another (${folder}):`);
  const [status] = await once(spawn(meter, [table.dir, notes, '101', count], { stdio: 'inherit' }),
    'exit');
  await table.stop();
  process.exitCode ||= status ?? 1;
}

// A blank chip on the antenna, taken away some time after it was written, and then the next.
async function deal(reader, over) {
  const blank = 'E2004216CB60601500951ED6';
  for (let i = 0; !over.aborted; i += 1) {
    const tag = new Tag({ epc: blank, tid: `E2801105200000001234${(0x1000 + i).toString(16)}` });
    reader.place(tag);
    while (tag.epc.toUpperCase() === blank && !over.aborted) await sleep(20);
    await sleep(100);
    reader.take(tag);
    await sleep(GONE_MS + 100);
  }
}

if (process.argv[3]) {
  await measure(process.argv[3], process.argv[3]);
} else {
  await measure('rehearsal', `exec ${program} encoder rehearse slow=40,away=30,next=30`);
  const reader = new Reader();
  const port = await reader.listen();
  const over = new AbortController();
  const dealt = deal(reader, over.signal);
  await measure('LLRP, simulated reader', `exec ${program} encoder llrp 127.0.0.1:${port}`);
  over.abort();
  await dealt;
  await reader.close();
  if (reader.faults.length > 0) throw new Error(`the reader complains: ${reader.faults.join('; ')}`);
}
