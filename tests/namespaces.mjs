// namespaces.mjs: puts a test into namespaces of its own, so that what it does to networks and
// mounts touches nothing outside and is gone when it ends, however it ends.
//
// Root makes them directly; a user gets them inside a user namespace. Where even that is refused,
// the test says so and ends as skipped.
import { spawn, spawnSync } from 'node:child_process';
import { fileURLToPath } from 'node:url';
import { SKIPPED } from './field.mjs';

// The process namespace ends everything that the test started when the test itself ends.
const wanted = (net) => ['--mount', '--pid', '--fork', '--kill-child', '--mount-proc',
  ...(net ? ['--net'] : [])];

function works(flags, probe) {
  const tried = spawnSync('unshare', [...flags, 'sh', '-c', probe], { encoding: 'utf8' });
  return tried.status === 0 ? '' : (tried.stderr || String(tried.error ?? 'refused')).trim();
}

// Comes back only inside the namespaces; outside it runs the script `url` there and exits with its
// status. `net`: a network namespace too, with /run/netns of its own.
export async function enterNamespaces(url, { net = false } = {}) {
  process.env.PATH += ':/usr/sbin:/sbin';
  if (process.env.BIBWEAVE_TEST_INSIDE) {
    process.stdin.on('end', () => process.exit(1)).resume(); // the one outside is gone
    process.stdin.unref?.();
    return;
  }
  const probe = 'mount -t tmpfs none /run' + (net
    ? ' && ip netns add probe && nsenter --net=/run/netns/probe nft add table inet probe' +
      ' && ip link add veth0 type veth peer name veth1 && ip link add bridge0 type bridge'
    : '');
  const asUser = ['--user', '--map-root-user'];
  let why;
  for (const flags of [wanted(net), [...asUser, ...wanted(net)]]) {
    why = works(flags, probe);
    if (why) continue;
    const script = fileURLToPath(url);
    const start = `mount -t tmpfs none /run && exec "$0" "$@"`;
    const child = spawn('unshare', [...flags, 'sh', '-c', start, process.execPath, script], {
      stdio: ['pipe', 'inherit', 'inherit'],
      env: { ...process.env, BIBWEAVE_TEST_INSIDE: '1' },
    });
    const [status] = await new Promise((done) => child.on('exit', (...ended) => done(ended)));
    process.exit(status ?? 1);
  }
  console.log(`skipped: this machine does not let the test make namespaces (${why})`);
  process.exit(SKIPPED);
}
