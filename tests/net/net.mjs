// net.mjs: a hall network from namespaces: hosts with one cable each, and a switch between them.
//
// Lives inside the namespaces that enterNamespaces made; the switch is the test's own network
// namespace. Host i (from 1) has the address 10.77.0.i.
import { spawnSync } from 'node:child_process';
import assert from 'node:assert/strict';
import { agree, assertKept, atEnd, doublesOf, makeEvent, now, scratch, until } from '../field.mjs';

// The issue's own promise: after the link's return, all agree within this time.
export const HEALED_MS = 5000;
// Longer than any heartbeat of the program.
export const LONG_MS = 6000;

function must(file, words, input) {
  const done = spawnSync(file, words, { encoding: 'utf8', input });
  assert.equal(done.status, 0, `${file} ${words.join(' ')}: ${done.stderr}${done.error ?? ''}`);
}

export class Hall {
  static count = 0;

  // Makes the hosts; they go when the test `t` ends.
  constructor(t, count) {
    // Names carry the process id and a number, so that no two halls ever meet.
    this.name = `bw${process.pid}h${(Hall.count += 1)}`;
    this.hosts = [];
    atEnd(t, () => this.#remove());
    must('ip', ['link', 'add', this.name, 'type', 'bridge']);
    must('ip', ['link', 'set', this.name, 'up']);
    for (let i = 1; i <= count; i += 1) this.#add(i);
  }
  #add(i) {
    const host = `${this.name}n${i}`;
    must('ip', ['netns', 'add', host]);
    this.hosts.push(host);
    must('ip', ['link', 'add', this.#port(i), 'type', 'veth', 'peer', 'name', 'eth0', 'netns',
      host]);
    must('ip', ['link', 'set', this.#port(i), 'master', this.name]);
    must('ip', ['link', 'set', this.#port(i), 'up']);
    must('ip', ['-n', host, 'addr', 'add', `${this.address(i)}/24`, 'dev', 'eth0']);
    must('ip', ['-n', host, 'link', 'set', 'lo', 'up']);
    must('ip', ['-n', host, 'link', 'set', 'eth0', 'up']);
  }
  #remove() {
    for (const host of this.hosts) spawnSync('ip', ['netns', 'del', host]);
    spawnSync('ip', ['link', 'del', this.name]);
  }
  #port(i) {
    return `${this.name}p${i}`;
  }
  address(i) {
    return `10.77.0.${i}`;
  }

  // Where each station is to be: host and address.
  places() {
    return this.hosts.map((host, i) => ({ host, listen: `${this.address(i + 1)}:7117` }));
  }

  // Takes the IPv4 addresses away, and gives IPv6 ones.
  onlyIpv6() {
    this.hosts.forEach((host, i) => {
      must('ip', ['-n', host, 'addr', 'flush', 'dev', 'eth0', 'scope', 'global']);
      must('ip', ['-n', host, 'addr', 'add', `fd77::${i + 1}/64`, 'dev', 'eth0', 'nodad']);
    });
    this.address = (i) => `[fd77::${i}]`;
  }
  // Gives host i another address.
  readdress(i, address) {
    must('ip', ['-n', this.hosts[i - 1], 'addr', 'flush', 'dev', 'eth0']);
    must('ip', ['-n', this.hosts[i - 1], 'addr', 'add', `${address}/24`, 'dev', 'eth0']);
  }

  // Pulls the cable of host i, or plugs it in again.
  pull(i) {
    must('ip', ['link', 'set', this.#port(i), 'down']);
  }
  plug(i) {
    must('ip', ['link', 'set', this.#port(i), 'up']);
  }

  // What host i drops of what comes in: a list of nft rules, instead of those before.
  drop(i, rules) {
    const body = rules.map((rule) => `    ${rule} counter drop`).join('\n');
    must('nsenter', [`--net=/run/netns/${this.hosts[i - 1]}`, 'nft', '-f', '-'],
      `table inet hall {}\ndelete table inet hall\ntable inet hall {\n  chain in {\n` +
      `    type filter hook input priority 0;\n${body}\n  }\n}\n`);
  }
  // How many packets those rules have dropped: a rule that never met a packet tests nothing.
  dropped(i) {
    const done = spawnSync('nsenter', [`--net=/run/netns/${this.hosts[i - 1]}`, 'nft', '-j', 'list',
      'table', 'inet', 'hall'], { encoding: 'utf8' });
    assert.equal(done.status, 0, done.stderr);
    let packets = 0;
    JSON.parse(done.stdout, (key, value) => {
      if (key === 'packets') packets += value;
      return value;
    });
    return packets;
  }
  // Host i sends no more than this from now on.
  slow(i, kilobytes_per_s) {
    must('tc', ['-n', this.hosts[i - 1], 'qdisc', 'add', 'dev', 'eth0', 'root', 'tbf', 'rate',
      `${kilobytes_per_s}kbps`, 'burst', '16kb', 'latency', '200ms']);
  }
  // No packet from host `from` reaches host `to`.
  dropFrom(to, from) {
    this.drop(to, [].concat(from).map((i) => `ip saddr ${this.address(i)}`));
  }
}

// A hall of `count` stations, all running; `before` sees hall and stations before they start.
export async function openHall(t, count, before = () => {}) {
  const hall = new Hall(t, count);
  const folder = scratch(t);
  const stations = await makeEvent(folder, hall.places());
  const [lead] = stations;
  for (const station of stations) if (station !== lead) station.peers = [lead.listen];
  atEnd(t, async () => {
    for (const station of stations) if (station.alive) await station.kill();
  });
  await before(hall, stations);
  await Promise.all(stations.map((station) => station.start()));
  return { hall, stations };
}

// Waits until every station is connected to at least `least` others.
export function meet(stations, least, within_ms = 20000) {
  return until(`each connected to ${least}`, within_ms, async () => {
    for (const station of stations) {
      const { peers } = await station.status();
      if (peers.filter(({ connected }) => connected).length < least) return false;
    }
    return true;
  });
}

// All agree within HEALED_MS from `since`, nothing acknowledged is lost anywhere, every node still
// runs, and each station shows exactly these doubles ("bib cause").
export async function assertHealed(t, stations, since, acknowledged, doubles = []) {
  const left = Math.max(HEALED_MS - (now() - since), 0);
  await until('all agree', left, () => agree(stations));
  t.diagnostic(`all agree ${Math.round(now() - since)} ms after the link's return`);
  await assertKept(stations, acknowledged);
  for (const station of stations) {
    assert.ok(station.alive, `${station.name} has ended: ${station.lastWords()}`);
    assert.deepEqual(await doublesOf(station), [...doubles].sort(), `doubles at ${station.name}`);
  }
}
