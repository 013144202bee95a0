// capture.mjs: what tshark's LLRP dissector makes of the traffic on a port, message by message.
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { createInterface } from 'node:readline';
import { sleep, until } from '../field.mjs';

// Starts to capture TCP on loopback at this port; throws where that is not possible.
export async function capture(file, port) {
  const tshark = spawn('tshark', ['-q', '-i', 'lo', '-f', `tcp port ${port}`, '-F', 'pcap', '-w', file],
    { stdio: ['ignore', 'ignore', 'pipe'] });
  let said = '';
  let why;
  tshark.stderr.setEncoding('utf8').on('data', (text) => (said += text));
  tshark.once('error', (error) => (why = error.message));
  tshark.once('exit', (status) => (why ??= `tshark ended with ${status}: ${said.trim()}`));
  process.once('exit', () => tshark.kill('SIGKILL'));
  await until('tshark captures', 20000, () => why || /Capturing on/.test(said));
  if (why) throw new Error(why);
  await sleep(1000); // it says so a little before it does
  return { end: async () => {
    await sleep(500);
    const ended = once(tshark, 'exit');
    tshark.kill('SIGINT');
    await ended;
  } };
}

// All LLRP messages in the capture: [{client: port, from: 'reader' or 'encoder', type, complaints,
// flat}]; flat is [[field, hex without leading zeros], ...] in order, complaints what the dissector
// calls malformed or warns of.
export async function dissect(file, port) {
  const tshark = spawn('tshark', ['-r', file, '-d', `tcp.port==${port},llrp`, '-T', 'pdml'],
    { stdio: ['ignore', 'pipe', 'ignore'] });
  const messages = [];
  let [source, target, proto] = [0, 0, ''];
  for await (const line of createInterface({ input: tshark.stdout })) {
    const [, tag, name] = /^\s*<(packet|proto|field)(?: name="([^"]*)")?/.exec(line) ?? [];
    const value = (/ value="([^"]*)"/.exec(line) ?? ['', ''])[1].toLowerCase();
    if (tag === 'proto') {
      proto = name;
      if (name === 'llrp') {
        const from = source === port ? 'reader' : 'encoder';
        messages.push({ client: from === 'reader' ? target : source, from, complaints: [], flat: [] });
      } else if (name === '_ws.malformed') messages.at(-1)?.complaints.push(name);
    } else if (tag === 'field' && name === 'tcp.srcport') source = parseInt(value, 16);
    else if (tag === 'field' && name === 'tcp.dstport') target = parseInt(value, 16);
    else if (tag === 'field' && proto === 'llrp') {
      const message = messages.at(-1);
      if (/^_ws\.malformed|^_ws\.expert\.message/.test(name)) {
        message.complaints.push((/ show="([^"]*)"/.exec(line) ?? ['', name])[1]);
      } else if (/^llrp\./.test(name) && name !== 'llrp.param' && !/invalid/.test(name)) {
        const field = name.split('.').at(-1);
        message.flat.push([field, value.replace(/^0+(?=.)/, '')]);
        if (field === 'type' && message.type === undefined) message.type = parseInt(value, 16);
      }
    }
  }
  return messages;
}
