// reader.mjs: a simulated LLRP reader on TCP, with a field of tags that a test moves about.
//
// What it models: one client at a time; the event with which a reader speaks first; LLRP 1.0.1 and
// 1.1, and three ways of an old reader with the version request; capabilities with a table of powers;
// the antennas' configuration; ROSpecs and AccessSpecs as they are added, enabled, started, disabled,
// deleted; inventory in rounds, each tag reported with what was asked for; in each round, on each tag,
// the first enabled AccessSpec that fits, its OpSpecs one after another until one fails; an AccessSpec
// gone after as many times as its stop trigger says; keep-alives, and that they are answered; a
// restart in the midst of it. Each message is checked against the standard's layout, and what a client
// does wrong is kept in `faults`.
//
// What it does not: radio (a tag is heard by each round until it is taken away), collisions, tag
// populations, hopping, several ROSpecs at once, priorities, GPIO, holding of reports, events other
// than those of ROSpecs, times of Gen2 commands, custom extensions.
//
// Shares no code with the program. Node.js 18 or later, no packages.
import { createServer } from 'node:net';
import { once } from 'node:events';
import { decode, encode, within } from './wire.mjs';

// Result codes by the words of tag.mjs; those above the last of LLRP 1.0.1 become a lesser one there.
const CODES = {
  C1G2Read: { ok: 0, tag_error: 1, silent: 2, reader_error: 3, overrun: 4, locked: 5, password: 6,
    old: { overrun: 1, locked: 1, password: 2 } },
  C1G2Write: { ok: 0, overrun: 1, locked: 2, low_power: 3, tag_error: 4, silent: 5, reader_error: 6,
    password: 7, old: { password: 5 } },
  C1G2Lock: { ok: 0, low_power: 1, tag_error: 2, silent: 3, reader_error: 4, password: 5, overrun: 6,
    locked: 7, old: { password: 3, overrun: 2, locked: 2 } },
};

export class Reader {
  constructor({ newest = 2, versionRequest = 'refused', antennas = 4, powers = [[1, 1000], [2, 2000],
    [3, 2700]], power = 2, round_ms = 20, accessSpecs = 8, opSpecs = 8 } = {}) {
    Object.assign(this, { newest, versionRequest, antennas, powers, power, round_ms, accessSpecs, opSpecs });
    this.tags = new Set();
    this.faults = []; // what the client did wrong
    this.messages = []; // {from: 'reader' or 'encoder', client: its port, and what decode() gives}
    this.attempts = 0; // connections
    this.acknowledged = 0; // keep-alives
    this.mute = false; // takes connections and says nothing
    this.frozen = false; // says nothing more on a connection that was fine
    this.forget();
  }

  forget() {
    this.version = 1;
    this.rospecs = new Map();
    this.access = new Map();
    this.config = {};
  }
  place(...tags) {
    for (const tag of tags) {
      tag.power();
      this.tags.add(tag);
    }
  }
  take(...tags) {
    for (const tag of tags) this.tags.delete(tag);
  }

  async listen(port = 0, host = '127.0.0.1') {
    this.server = createServer((socket) => this.#connected(socket));
    this.server.listen(port, host);
    await once(this.server, 'listening');
    this.port = this.server.address().port;
    return this.port;
  }
  async close() {
    this.reset();
    const ended = once(this.server, 'close');
    this.server.close();
    for (const socket of this.strangers ?? []) socket.destroy();
    await ended;
  }
  // The connection breaks and all is forgotten, as when it is plugged out and in.
  reset() {
    this.#stop();
    this.socket?.resetAndDestroy();
    this.socket = undefined;
    this.forget();
  }

  #connected(socket) {
    this.attempts += 1;
    socket.on('error', () => {});
    this.strangers ??= new Set();
    this.strangers.add(socket);
    socket.on('close', () => this.strangers.delete(socket));
    if (this.mute) return;
    if (this.garbage) {
      socket.write(this.garbage);
      return;
    }
    if (this.socket) {
      socket.end(this.#event(2));
      return;
    }
    this.socket = socket;
    this.version = 1;
    this.frozen = false;
    let rest = Buffer.alloc(0);
    socket.on('data', (bytes) => {
      rest = Buffer.concat([rest, bytes]);
      while (this.socket === socket && rest.length >= 10 && rest.length >= rest.readUInt32BE(2)) {
        const size = Math.max(10, rest.readUInt32BE(2));
        const message = decode(Buffer.from(rest.subarray(0, size)));
        rest = rest.subarray(size);
        this.messages.push({ from: 'encoder', client: socket.remotePort, ...message });
        if (!this.frozen) this.#take(message);
      }
    });
    socket.on('close', () => {
      if (this.socket !== socket) return;
      this.socket = undefined;
      this.#stop();
    });
    this.#send(this.#event(this.attemptStatus ?? 0));
  }
  #event(conn_status) {
    return encode(1, 'READER_EVENT_NOTIFICATION', 0, {}, ['ReaderEventNotificationData', {},
      ['UTCTimestamp', { microseconds: BigInt(Date.now()) * 1000n }],
      ['ConnectionAttemptEvent', { conn_status }]]);
  }
  // The ROSpec has begun (0), ended (1), or was preempted (2).
  tellOf(rospec_id, roevent_type) {
    if (!this.events?.get(2)) return;
    this.#say('READER_EVENT_NOTIFICATION', 0, {}, ['ReaderEventNotificationData', {},
      ['UTCTimestamp', { microseconds: BigInt(Date.now()) * 1000n }],
      ['ROSpecEvent', { roevent_type, rospec_id }]]);
  }
  #send(bytes) {
    if (!this.socket || this.frozen) return;
    this.messages.push({ from: 'reader', client: this.socket.remotePort, ...decode(bytes) });
    this.socket.write(bytes);
  }
  #say(name, id, fields, ...parameters) {
    this.#send(encode(this.version, name, id, fields, ...parameters));
  }
  #stop() {
    clearInterval(this.rounds);
    clearInterval(this.keepalives);
    this.rounds = undefined;
  }

  #wrong(message, code, text) {
    this.faults.push(`${message.name ?? message.type}: ${text}`);
    return [code, text];
  }
  // A status to refuse with, or undefined.
  #refusal(message) {
    const version = message.type === 46 || message.type === 47 ? 2 : this.version;
    if (this.refuses?.(message)) return [101, 'not with this reader'];
    if (message.error) return this.#wrong(message, message.error.code, message.error.message);
    if (message.version !== version) return this.#wrong(message, 110, `version ${message.version}`);
    return undefined;
  }

  #take(message) {
    if (message.name === 'GET_SUPPORTED_VERSION' && this.newest < 2) {
      this.#oldVersion(message);
      return;
    }
    const refusal = this.#refusal(message);
    if (refusal) {
      this.#say('ERROR_MESSAGE', message.id, {}, ['LLRPStatus', { status_code: refusal[0],
        error_desc: refusal[1] }]);
      return;
    }
    if (message.name === 'KEEPALIVE_ACK') {
      this.acknowledged += 1;
      return;
    }
    const [code, text, fields, ...parameters] = this.#carryOut(message);
    const answer = `${message.name}_RESPONSE`;
    const bytes = encode(message.type === 46 || message.type === 47 ? 2 : this.version, answer,
      message.id, fields ?? {}, ['LLRPStatus', { status_code: code, error_desc: text }], ...parameters);
    this.#send(bytes);
    if (message.name === 'CLOSE_CONNECTION') this.socket.end();
  }
  #oldVersion(message) {
    if (this.versionRequest === 'unanswered') return;
    if (this.versionRequest === 'hung up') {
      this.socket.destroy();
      return;
    }
    const status_code = this.versionRequest === 'unknown' ? 109 : 110;
    this.#say('ERROR_MESSAGE', message.id, {}, ['LLRPStatus', { status_code, error_desc: 'ver' }]);
  }

  // [status, text, fields of the answer, further parameters].
  #carryOut(message) {
    const { name, fields } = message;
    switch (name) {
      case 'GET_SUPPORTED_VERSION':
        return [0, '', { cur_ver: this.version, sup_ver: this.newest }];
      case 'SET_PROTOCOL_VERSION':
        if (fields.version > this.newest) return this.#wrong(message, 110, 'a version too new');
        this.version = fields.version;
        return [0, ''];
      case 'GET_READER_CAPABILITIES':
        return [0, '', {}, ...this.#capabilities()];
      case 'GET_READER_CONFIG':
        return [0, '', {}, ['AntennaConfiguration', { antenna_id: fields.antenna_id },
          ['RFReceiver', { receiver_sense: 1 }],
          ['RFTransmitter', { hop_table_id: 1, channel_idx: 1, transmit_power: this.power }]]];
      case 'SET_READER_CONFIG':
        return this.#configure(message);
      case 'CLOSE_CONNECTION':
        this.#stop();
        return [0, ''];
      case 'ADD_ROSPEC':
      case 'ADD_ACCESSSPEC':
        return this.#add(message);
      default:
        return /_(ROSPEC|ACCESSSPEC)$/.test(name) ? this.#change(message)
          : this.#wrong(message, 109, 'not for a reader');
    }
  }
  #capabilities() {
    return [['GeneralDeviceCapabilities', { max_supported_antenna: this.antennas, has_utc_clock: 1,
      device_manufacturer: 32473, model: 1, firmware_version: 'simulated' },
    ['ReceiveSensitivityTableEntry', { index: 1, receive_sense: 0 }], ['GPIOCapabilities', {}],
    ['PerAntennaAirProtocol', { antenna_id: 1, protocol_id: [1] }]],
    ['LLRPCapabilities', { max_priority_supported: 1, max_num_rospec: 1, max_num_spec_per_rospec: 1,
      max_num_inventory_per_aispec: 1, max_num_accessspec: this.accessSpecs,
      max_num_opspec_per_accressspec: this.opSpecs }],
    ['RegulatoryCapabilities', { country_code: 0, comm_standard: 2 }, ['UHFBandCapabilities', {},
      ...this.powers.map(([index, transmit_power]) => ['TransmitPowerLevelTableEntry', { index,
        transmit_power }]),
      ['FrequencyInformation', { hopping: 0 }, ['FixedFrequencyTable', { frequency: [866300] }]],
      ['UHFC1G2RFModeTable', {}, ['UHFC1G2RFModeTableEntry', { mode_ident: 1, mod: 2, flm: 2, m: 2,
        bdr: 320000, pie: 1500, min_tari: 12500, max_tari: 25000 }]]]],
    ['C1G2LLRPCapabilities', {}]];
  }
  #configure(message) {
    const [keepalive] = within(message, 'KeepaliveSpec');
    const [selector] = within(message, 'TagReportContentSelector');
    const [gen2] = within(message, 'C1G2EPCMemorySelector');
    this.events = new Map(within(message, 'EventNotificationState').map(({ fields }) =>
      [fields.event_type, fields.notif_state === 1]));
    if (within(message, 'AntennaConfiguration').length) this.#wrong(message, 0, 'sets the antennas');
    if (message.fields.rest_fact) this.#wrong(message, 0, 'sets the reader back to the factory');
    this.config = { ...selector?.fields, ...gen2?.fields };
    clearInterval(this.keepalives);
    if (keepalive?.fields.keepalive_trig_type === 1) {
      let id = 70;
      this.keepalives = setInterval(() => this.#say('KEEPALIVE', id += 1, {}), keepalive.fields.time_iterval);
    }
    return [0, ''];
  }
  #add(message) {
    const [spec] = message.subs;
    const access = spec.name === 'AccessSpec';
    const specs = access ? this.access : this.rospecs;
    const { rospec_id, accessspec_id, cur_state, access_cur_state } = spec.fields;
    const id = access ? accessspec_id : rospec_id;
    const ops = within(spec, 'AccessCommand').flatMap(({ subs }) => subs.slice(1));
    if (id === 0 || specs.has(id)) return this.#wrong(message, 101, `spec ${id} is there`);
    if (cur_state || access_cur_state) return this.#wrong(message, 101, 'added as enabled');
    if (access && specs.size >= this.accessSpecs) return this.#wrong(message, 101, 'too many AccessSpecs');
    if (ops.length > this.opSpecs) return this.#wrong(message, 101, 'too many OpSpecs');
    if (new Set(ops.map(({ fields }) => fields.opspec_id)).size !== ops.length) {
      return this.#wrong(message, 101, 'OpSpecs of one id');
    }
    for (const { fields } of within(spec, 'RFTransmitter')) {
      const known = this.powers.find(([index]) => index === fields.transmit_power);
      const set = this.powers.find(([index]) => index === this.power);
      if (!known || known[1] > set[1]) return this.#wrong(message, 101, 'a power beyond what is set');
    }
    specs.set(id, { id, spec, ops, enabled: false, started: false, times: 0 });
    return [0, ''];
  }
  #change(message) {
    const access = message.name.endsWith('ACCESSSPEC');
    const specs = access ? this.access : this.rospecs;
    const id = access ? message.fields.accessspec : message.fields.rospec;
    const what = message.name.split('_')[0];
    if (id !== 0 && !specs.has(id)) return [101, `no spec ${id}`];
    const meant = id === 0 ? [...specs.values()] : [specs.get(id)];
    for (const spec of meant) {
      const { started } = spec;
      if (what === 'DELETE') specs.delete(spec.id);
      if (what === 'ENABLE' || what === 'DISABLE') spec.enabled = what === 'ENABLE';
      if (what === 'START' && !spec.enabled) return this.#wrong(message, 101, 'started while disabled');
      if (what === 'START' || what === 'STOP') spec.started = what === 'START';
      if (what === 'DELETE') spec.started = false;
      if (!access && spec.started !== started) this.tellOf(spec.id, spec.started ? 0 : 1);
    }
    const running = [...this.rospecs.values()].some(({ enabled, started }) => enabled && started);
    if (running && !this.rounds) this.rounds = setInterval(() => this.#round(), this.round_ms);
    if (!running) {
      clearInterval(this.rounds);
      this.rounds = undefined;
    }
    return [0, ''];
  }

  // One inventory round: every tag is met once.
  #round() {
    if (this.frozen) return;
    const rospec = [...this.rospecs.values()].find(({ enabled, started }) => enabled && started);
    for (const tag of [...this.tags]) {
      if (!this.tags.has(tag) || !this.socket || !rospec) continue;
      const { epc, pc, crc, rssi } = tag; // as it answered, before anything is done to it
      const antenna = within(rospec.spec, 'AISpec')[0].fields.antenna[0];
      const access = [...this.access.values()].find((one) => one.enabled &&
        [0, antenna].includes(one.spec.fields.antenna_id) &&
        [0, rospec.id].includes(one.spec.fields.rospec_id) &&
        within(one.spec, 'C1G2TargetTag').every(({ fields }) => tag.matches(fields)));
      const results = access ? this.#access(access, tag) : [];
      if (!this.socket || !results) return; // restarted in the midst of it
      this.#report({ epc, pc, crc, rssi, rospec: rospec.id, antenna, access, results });
    }
  }
  #access(access, tag) {
    const results = [];
    for (const { name, fields, subs } of access.ops) {
      const done = this.tags.has(tag) ? this.#operate(tag, name, fields, subs) : { result: 'silent' };
      if (!this.socket) return undefined;
      const codes = CODES[name];
      const word = this.version < 2 && codes.old[done.result] !== undefined ? codes.old[done.result]
        : codes[done.result];
      results.push([`${name}OpSpecResult`, { access_result: word, opspec_id: fields.opspec_id,
        num_words_written: done.words ?? 0, read_data: done.data ?? '' }]);
      if (done.result !== 'ok') break;
    }
    const [{ fields: stop }] = within(access.spec, 'AccessSpecStopTrigger');
    access.times += 1;
    if (stop.access_stop_trig_type === 1 && access.times >= stop.operation_count) {
      this.access.delete(access.id);
    }
    return results;
  }
  #operate(tag, name, fields, subs) {
    const { mb, word_pointer: word, access_pass: password } = fields;
    if (name === 'C1G2Read') return tag.read(mb, word, fields.word_count, password);
    if (name === 'C1G2Write') return tag.write(mb, word, fields.write_data, password);
    return tag.lock(subs.map((payload) => payload.fields), password);
  }
  #report({ epc, pc, crc, rssi, rospec, antenna, access, results }) {
    if (this.lose?.(access)) return; // a report that the reader loses
    const { config } = this;
    const microseconds = BigInt(Date.now()) * 1000n;
    const asked = (flag, parameter) => (config[flag] ? [parameter] : []);
    this.#say('RO_ACCESS_REPORT', 0, {}, ['TagReportData', {},
      epc.length === 24 ? ['EPC-96', { epc }] : ['EPCData', { epc }],
      ...asked('enable_rospec_id', ['ROSpecID', { rospec_id: rospec }]),
      ...asked('enable_antenna_id', ['AntennaID', { antenna_id: antenna }]),
      ...asked('enable_peak_rssi', ['PeakRSSI', { peak_rssi: rssi }]),
      ...asked('enable_first_seen', ['FirstSeenTimestampUTC', { microseconds }]),
      ...asked('enable_last_seen', ['LastSeenTimestampUTC', { microseconds }]),
      ...asked('enable_seen_count', ['TagSeenCount', { tag_count: 1 }]),
      ...asked('enable_pc', ['C1G2PC', { pc_bits: pc }]), ...asked('enable_crc', ['C1G2CRC', { crc }]),
      ...(access && config.enable_accessspec_id ? [['AccessSpecID', { accessspec_id: access.id }]] : []),
      ...results]);
  }
}
