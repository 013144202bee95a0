// wire.mjs: LLRP messages as bytes and back, for the simulated reader.
//
// Written after the layouts of EPCglobal LLRP 1.0.1 and 1.1 and apart from the program's own code. One
// table says what a message or parameter holds; the names of the fields are those of tshark's
// dissector, so that what is read here can be compared with what tshark reads. The decoder is strict:
// lengths, reserved bits, the order and the number of parameters must be the standard's.

// Fields: [kind, name] with kinds u8 u16 u32 u64; b1 ... b7 (bits) and r1 ... r15 (reserved bits);
// list (u16 count, then u16 items), list8 (u8 items), list32; bits (u16 count of bits, bytes), words (u16 count
// of words, bytes), text (u16 length, UTF-8). Parameters within: [name, least, most].
const status = ['LLRPStatus', 1, 1];
const any = 1e9;
const MESSAGES = {
  1: ['GET_READER_CAPABILITIES', [['u8', 'req_cap']], []],
  11: ['GET_READER_CAPABILITIES_RESPONSE', [], [status, ['GeneralDeviceCapabilities', 0, 1],
    ['LLRPCapabilities', 0, 1], ['RegulatoryCapabilities', 0, 1], ['C1G2LLRPCapabilities', 0, 1]]],
  2: ['GET_READER_CONFIG', [['u16', 'antenna_id'], ['u8', 'req_conf'], ['u16', 'gpi_port'],
    ['u16', 'gpo_port']], []],
  12: ['GET_READER_CONFIG_RESPONSE', [], [status, ['AntennaConfiguration', 0, any]]],
  3: ['SET_READER_CONFIG', [['b1', 'rest_fact'], ['r7']], [['ReaderEventNotificationSpec', 0, 1],
    ['AntennaConfiguration', 0, any], ['ROReportSpec', 0, 1], ['AccessReportSpec', 0, 1],
    ['KeepaliveSpec', 0, 1], ['EventsAndReports', 0, 1]]],
  13: ['SET_READER_CONFIG_RESPONSE', [], [status]],
  14: ['CLOSE_CONNECTION', [], []],
  4: ['CLOSE_CONNECTION_RESPONSE', [], [status]],
  20: ['ADD_ROSPEC', [], [['ROSpec', 1, 1]]],
  40: ['ADD_ACCESSSPEC', [], [['AccessSpec', 1, 1]]],
  46: ['GET_SUPPORTED_VERSION', [], []],
  56: ['GET_SUPPORTED_VERSION_RESPONSE', [['u8', 'cur_ver'], ['u8', 'sup_ver']], [status]],
  47: ['SET_PROTOCOL_VERSION', [['u8', 'version']], []],
  57: ['SET_PROTOCOL_VERSION_RESPONSE', [], [status]],
  61: ['RO_ACCESS_REPORT', [], [['TagReportData', 0, any]]],
  62: ['KEEPALIVE', [], []],
  72: ['KEEPALIVE_ACK', [], []],
  63: ['READER_EVENT_NOTIFICATION', [], [['ReaderEventNotificationData', 1, 1]]],
  100: ['ERROR_MESSAGE', [], [status]],
};
for (const [type, word] of [[21, 'DELETE'], [22, 'START'], [23, 'STOP'], [24, 'ENABLE'], [25, 'DISABLE']]) {
  MESSAGES[type] = [`${word}_ROSPEC`, [['u32', 'rospec']], []];
}
for (const [type, word] of [[41, 'DELETE'], [42, 'ENABLE'], [43, 'DISABLE']]) {
  MESSAGES[type] = [`${word}_ACCESSSPEC`, [['u32', 'accessspec']], []];
}
for (const type of [20, 21, 22, 23, 24, 25, 40, 41, 42, 43]) {
  MESSAGES[type + 10] = [`${MESSAGES[type][0]}_RESPONSE`, [], [status]];
}

const result = [['u8', 'access_result'], ['u16', 'opspec_id']];
const PARAMETERS = {
  128: ['UTCTimestamp', [['u64', 'microseconds']], []],
  137: ['GeneralDeviceCapabilities', [['u16', 'max_supported_antenna'], ['b1', 'can_set_antenna_prop'],
    ['b1', 'has_utc_clock'], ['r14'], ['u32', 'device_manufacturer'], ['u32', 'model'],
    ['text', 'firmware_version']], [['ReceiveSensitivityTableEntry', 1, any],
    ['GPIOCapabilities', 1, 1], ['PerAntennaAirProtocol', 1, any]]],
  139: ['ReceiveSensitivityTableEntry', [['u16', 'index'], ['u16', 'receive_sense']], []],
  140: ['PerAntennaAirProtocol', [['u16', 'antenna_id'], ['list8', 'num_protocols', 'protocol_id']], []],
  141: ['GPIOCapabilities', [['u16', 'num_gpi'], ['u16', 'num_gpo']], []],
  142: ['LLRPCapabilities', [['b1', 'can_do_survey'], ['b1', 'can_report_buffer_warning'],
    ['b1', 'support_client_opspec'], ['b1', 'can_stateaware'], ['b1', 'support_holding'], ['r3'],
    ['u8', 'max_priority_supported'], ['u16', 'client_opspec_timeout'], ['u32', 'max_num_rospec'],
    ['u32', 'max_num_spec_per_rospec'], ['u32', 'max_num_inventory_per_aispec'],
    ['u32', 'max_num_accessspec'], ['u32', 'max_num_opspec_per_accressspec']], []],
  143: ['RegulatoryCapabilities', [['u16', 'country_code'], ['u16', 'comm_standard']],
    [['UHFBandCapabilities', 0, 1]]],
  144: ['UHFBandCapabilities', [], [['TransmitPowerLevelTableEntry', 1, any],
    ['FrequencyInformation', 1, 1], ['UHFC1G2RFModeTable', 1, any]]],
  145: ['TransmitPowerLevelTableEntry', [['u16', 'index'], ['u16', 'transmit_power']], []],
  146: ['FrequencyInformation', [['b1', 'hopping'], ['r7']], [['FixedFrequencyTable', 0, 1]]],
  148: ['FixedFrequencyTable', [['list32', 'num_freqs', 'frequency']], []],
  177: ['ROSpec', [['u32', 'rospec_id'], ['u8', 'priority'], ['u8', 'cur_state']],
    [['ROBoundarySpec', 1, 1], ['AISpec', 1, any], ['ROReportSpec', 0, 1]]],
  178: ['ROBoundarySpec', [], [['ROSpecStartTrigger', 1, 1], ['ROSpecStopTrigger', 1, 1]]],
  179: ['ROSpecStartTrigger', [['u8', 'rospec_start_trig_type']], []],
  182: ['ROSpecStopTrigger', [['u8', 'rospec_stop_trig_type'], ['u32', 'duration_trig']], []],
  183: ['AISpec', [['list', 'antenna_count', 'antenna']], [['AISpecStopTrigger', 1, 1],
    ['InventoryParameterSpec', 1, any]]],
  184: ['AISpecStopTrigger', [['u8', 'aispec_stop_trig_type'], ['u32', 'duration_trig']], []],
  186: ['InventoryParameterSpec', [['u16', 'inventory_spec_id'], ['u8', 'protocol_id']],
    [['AntennaConfiguration', 0, any]]],
  207: ['AccessSpec', [['u32', 'accessspec_id'], ['u16', 'antenna_id'], ['u8', 'protocol_id'],
    ['b1', 'access_cur_state'], ['r7'], ['u32', 'rospec_id']], [['AccessSpecStopTrigger', 1, 1],
    ['AccessCommand', 1, 1], ['AccessReportSpec', 0, 1]]],
  208: ['AccessSpecStopTrigger', [['u8', 'access_stop_trig_type'], ['u16', 'operation_count']], []],
  209: ['AccessCommand', [], [['C1G2TagSpec', 1, 1], ['OpSpec', 1, any]]],
  220: ['KeepaliveSpec', [['u8', 'keepalive_trig_type'], ['u32', 'time_iterval']], []],
  222: ['AntennaConfiguration', [['u16', 'antenna_id']], [['RFReceiver', 0, 1], ['RFTransmitter', 0, 1],
    ['C1G2InventoryCommand', 0, any]]],
  223: ['RFReceiver', [['u16', 'receiver_sense']], []],
  224: ['RFTransmitter', [['u16', 'hop_table_id'], ['u16', 'channel_idx'], ['u16', 'transmit_power']], []],
  226: ['EventsAndReports', [['b1', 'hold_events_and_reports'], ['r7']], []],
  237: ['ROReportSpec', [['u8', 'ro_report_trig'], ['u16', 'n_2']], [['TagReportContentSelector', 1, 1]]],
  238: ['TagReportContentSelector', [['b1', 'enable_rospec_id'], ['b1', 'enable_spec_idx'],
    ['b1', 'enable_inv_spec_id'], ['b1', 'enable_antenna_id'], ['b1', 'enable_channel_idx'],
    ['b1', 'enable_peak_rssi'], ['b1', 'enable_first_seen'], ['b1', 'enable_last_seen'],
    ['b1', 'enable_seen_count'], ['b1', 'enable_accessspec_id'], ['r6']],
    [['C1G2EPCMemorySelector', 0, 1]]],
  239: ['AccessReportSpec', [['u8', 'access_report_trig']], []],
  240: ['TagReportData', [], [['EPC', 1, 1], ['ROSpecID', 0, 1], ['AntennaID', 0, 1], ['PeakRSSI', 0, 1],
    ['FirstSeenTimestampUTC', 0, 1], ['LastSeenTimestampUTC', 0, 1], ['TagSeenCount', 0, 1],
    ['C1G2PC', 0, 1], ['C1G2CRC', 0, 1], ['AccessSpecID', 0, 1], ['OpSpecResult', 0, any]]],
  241: ['EPCData', [['bits', 'length_bits', 'epc']], []],
  244: ['ReaderEventNotificationSpec', [], [['EventNotificationState', 1, any]]],
  245: ['EventNotificationState', [['u16', 'event_type'], ['b1', 'notif_state'], ['r7']], []],
  246: ['ReaderEventNotificationData', [], [['UTCTimestamp', 1, 1], ['ROSpecEvent', 0, 1],
    ['ReaderExceptionEvent', 0, 1], ['ConnectionAttemptEvent', 0, 1], ['ConnectionCloseEvent', 0, 1]]],
  249: ['ROSpecEvent', [['u8', 'roevent_type'], ['u32', 'rospec_id'], ['u32', 'prem_rospec_id']], []],
  252: ['ReaderExceptionEvent', [['text', 'message']], []],
  256: ['ConnectionAttemptEvent', [['u16', 'conn_status']], []],
  257: ['ConnectionCloseEvent', [], []],
  287: ['LLRPStatus', [['u16', 'status_code'], ['text', 'error_desc']], []],
  327: ['C1G2LLRPCapabilities', [['b1', 'can_support_block_erase'], ['b1', 'can_support_block_write'],
    ['b1', 'can_support_block_permalock'], ['b1', 'can_support_tag_recomm'],
    ['b1', 'can_support_UMI_method2'], ['b1', 'can_support_XPC'], ['r2'],
    ['u16', 'max_num_filter_per_query']], []],
  328: ['UHFC1G2RFModeTable', [], [['UHFC1G2RFModeTableEntry', 1, any]]],
  329: ['UHFC1G2RFModeTableEntry', [['u32', 'mode_ident'], ['b1', 'DR'], ['b1', 'hag_conformance'],
    ['r6'], ['u8', 'mod'], ['u8', 'flm'], ['u8', 'm'], ['u32', 'bdr'], ['u32', 'pie'],
    ['u32', 'min_tari'], ['u32', 'max_tari'], ['u32', 'step_tari']], []],
  330: ['C1G2InventoryCommand', [['b1', 'inventory_state_aware'], ['r7']],
    [['C1G2SingulationControl', 0, 1]]],
  336: ['C1G2SingulationControl', [['b2', 'session'], ['r6'], ['u16', 'tag_population'],
    ['u32', 'tag_transit_time']], []],
  338: ['C1G2TagSpec', [], [['C1G2TargetTag', 1, 2]]],
  339: ['C1G2TargetTag', [['b2', 'mb'], ['b1', 'match'], ['r5'], ['u16', 'pointer'],
    ['bits', 'length_bits', 'tag_mask'], ['bits', 'length_bits', 'tag_data']], []],
  341: ['C1G2Read', [['u16', 'opspec_id'], ['u32', 'access_pass'], ['b2', 'mb'], ['r6'],
    ['u16', 'word_pointer'], ['u16', 'word_count']], []],
  342: ['C1G2Write', [['u16', 'opspec_id'], ['u32', 'access_pass'], ['b2', 'mb'], ['r6'],
    ['u16', 'word_pointer'], ['words', 'length_words', 'write_data']], []],
  344: ['C1G2Lock', [['u16', 'opspec_id'], ['u32', 'access_pass']], [['C1G2LockPayload', 1, any]]],
  345: ['C1G2LockPayload', [['u8', 'privilege'], ['u8', 'data_field']], []],
  348: ['C1G2EPCMemorySelector', [['b1', 'enable_crc'], ['b1', 'enable_pc'], ['b1', 'enable_xpc'],
    ['r5']], []],
  349: ['C1G2ReadOpSpecResult', [...result, ['words', 'length_words', 'read_data']], []],
  350: ['C1G2WriteOpSpecResult', [...result, ['u16', 'num_words_written']], []],
  352: ['C1G2LockOpSpecResult', result, []],
};
const TVS = {
  1: ['AntennaID', 'u16', 'antenna_id'], 2: ['FirstSeenTimestampUTC', 'u64', 'microseconds'],
  4: ['LastSeenTimestampUTC', 'u64', 'microseconds'], 6: ['PeakRSSI', 'u8', 'peak_rssi'],
  8: ['TagSeenCount', 'u16', 'tag_count'], 9: ['ROSpecID', 'u32', 'rospec_id'],
  11: ['C1G2CRC', 'u16', 'crc'], 12: ['C1G2PC', 'u16', 'pc_bits'], 13: ['EPC-96', 'b96', 'epc'],
  16: ['AccessSpecID', 'u32', 'accessspec_id'],
};
// Places that several parameters may take.
const CHOICES = {
  EPC: ['EPC-96', 'EPCData'],
  OpSpec: ['C1G2Read', 'C1G2Write', 'C1G2Lock'],
  OpSpecResult: ['C1G2ReadOpSpecResult', 'C1G2WriteOpSpecResult', 'C1G2LockOpSpecResult'],
};
const byName = (table) => Object.fromEntries(Object.entries(table).map(([type, [name]]) => [name, +type]));
const MESSAGE_TYPES = byName(MESSAGES);
const TLV_TYPES = byName(PARAMETERS);
const TV_TYPES = byName(TVS);

export class WireError extends Error {
  constructor(code, message) {
    super(message);
    this.code = code; // of an LLRPStatus
  }
}

class Cursor {
  constructor(bytes) {
    Object.assign(this, { bytes, at: 0, bit: 0 });
  }
  get left() {
    return this.bytes.length - this.at;
  }
  take(size) {
    if (this.bit !== 0 || this.left < size) throw new WireError(100, `${size} bytes are not there`);
    this.at += size;
    return this.bytes.subarray(this.at - size, this.at);
  }
  number(size) {
    return this.take(size).reduce((sum, byte) => sum * 256n + BigInt(byte), 0n);
  }
  bits(count) { // within one or two bytes
    let sum = 0n;
    for (let i = 0; i < count; i += 1) {
      if (this.left < 1) throw new WireError(100, 'bits are not there');
      sum = sum * 2n + BigInt(this.bytes[this.at] >> (7 - this.bit) & 1);
      this.bit = (this.bit + 1) % 8;
      if (this.bit === 0) this.at += 1;
    }
    return sum;
  }
}

const SIZES = { u8: 1, u16: 2, u32: 4, u64: 8 };

// Reads one field into `fields`, and what tshark should say into `flat` ([name, hex]).
function readField(cursor, [kind, name, item], fields, flat) {
  const say = (what, hex) => flat.push([what, hex.replace(/^0+(?=.)/, '')]);
  const number = (what, value) => say(what, value.toString(16));
  if (SIZES[kind]) {
    const value = cursor.number(SIZES[kind]);
    fields[name] = kind === 'u64' ? value : Number(value);
    number(name, value);
  } else if (kind[0] === 'r') {
    if (cursor.bits(+kind.slice(1)) !== 0n) throw new WireError(101, 'reserved bits are set');
  } else if (kind === 'b96') {
    fields[name] = cursor.take(12).toString('hex');
    say(name, fields[name]);
  } else if (/^b\d$/.test(kind)) {
    const value = cursor.bits(+kind.slice(1));
    fields[name] = Number(value);
    number(name, value);
  } else if (kind.startsWith('list')) {
    const size = { list: 2, list8: 1, list32: 4 }[kind];
    const count = cursor.number(2);
    number(name, count);
    fields[item] = [];
    for (let i = 0n; i < count; i += 1n) {
      const value = cursor.number(size);
      fields[item].push(Number(value));
      number(item, value);
    }
  } else if (kind === 'bits' || kind === 'words') {
    const count = Number(cursor.number(2));
    number(name, BigInt(count));
    const bytes = cursor.take(kind === 'bits' ? Math.ceil(count / 8) : count * 2);
    fields[item] = bytes.toString('hex');
    say(item, fields[item]);
  } else {
    const size = cursor.number(2);
    const text = cursor.take(Number(size));
    fields[name] = text.toString();
    say(name, size.toString(16).padStart(4, '0') + text.toString('hex'));
  }
}

function readParameters(bytes, wanted, flat) {
  const cursor = new Cursor(bytes);
  const found = [];
  let place = 0;
  let here = 0;
  while (cursor.left > 0) {
    const parameter = { fields: {}, subs: [] };
    if (bytes[cursor.at] & 0x80) {
      const type = Number(cursor.number(1)) & 0x7f;
      if (!TVS[type]) throw new WireError(100, `TV parameter ${type} is unknown`);
      const [name, kind, field] = TVS[type];
      parameter.name = name;
      flat.push(['tv_type', type.toString(16)]);
      readField(cursor, [kind, field], parameter.fields, flat);
    } else {
      const head = Number(cursor.number(2));
      const length = Number(cursor.number(2));
      if (head > 0x3ff) throw new WireError(101, 'reserved bits are set');
      if (!PARAMETERS[head]) throw new WireError(100, `parameter ${head} is unknown`);
      if (length < 4) throw new WireError(100, `parameter ${head} has length ${length}`);
      const [name, fields, subs] = PARAMETERS[head];
      flat.push(['tlv_type', head.toString(16)], ['tlv_len', length.toString(16)]);
      const inner = new Cursor(cursor.take(length - 4));
      parameter.name = name;
      for (const field of fields) readField(inner, field, parameter.fields, flat);
      parameter.subs = readParameters(inner.bytes.subarray(inner.at), subs, flat);
    }
    const fits = ([name]) => name === parameter.name || CHOICES[name]?.includes(parameter.name);
    while (place < wanted.length && !(fits(wanted[place]) && here < wanted[place][2])) {
      if (here < wanted[place][1]) throw new WireError(100, `${wanted[place][0]} is missing`);
      place += 1;
      here = 0;
    }
    if (place === wanted.length) throw new WireError(100, `${parameter.name} is out of place`);
    here += 1;
    found.push(parameter);
  }
  for (; place < wanted.length; place += 1, here = 0) {
    if (here < wanted[place][1]) throw new WireError(100, `${wanted[place][0]} is missing`);
  }
  return found;
}

// One whole message: {version, type, name, id, fields, subs, flat}. flat is, in order, what tshark's
// dissector has to read: [[field, hex without leading zeros], ...].
export function decode(bytes) {
  const cursor = new Cursor(bytes);
  const head = Number(cursor.number(2));
  const [version, type] = [head >> 10 & 7, head & 0x3ff];
  const length = Number(cursor.number(4));
  const id = Number(cursor.number(4));
  const message = { version, type, id, name: MESSAGES[type]?.[0], fields: {}, subs: [], bytes };
  message.flat = [['version', version], ['type', type], ['length', length], ['id', id]]
    .map(([name, value]) => [name, value.toString(16)]);
  try {
    if (head >> 13) throw new WireError(101, 'reserved bits are set');
    if (length !== bytes.length) throw new WireError(100, 'wrong length');
    if (!MESSAGES[type]) throw new WireError(109, `message type ${type} is unknown`);
    const [, fields, subs] = MESSAGES[type];
    for (const field of fields) readField(cursor, field, message.fields, message.flat);
    message.subs = readParameters(bytes.subarray(cursor.at), subs, message.flat);
  } catch (error) {
    if (!(error instanceof WireError)) throw error;
    message.error = error;
  }
  return message;
}

// All parameters of that name in a message or parameter, at any depth.
export function within(part, name) {
  return part.subs.flatMap((sub) => [...(sub.name === name ? [sub] : []), ...within(sub, name)]);
}

const number = (value, size) => {
  const bytes = Buffer.alloc(size);
  let rest = BigInt.asUintN(size * 8, BigInt(value));
  for (let i = size - 1; i >= 0; i -= 1, rest >>= 8n) bytes[i] = Number(rest & 255n);
  return bytes;
};

function writeFields(layout, fields) {
  const parts = [];
  let bits = '';
  for (const [kind, name, item] of layout) {
    if (/^[br]\d+$/.test(kind) && kind !== 'b96') {
      bits += (fields[name] ?? 0).toString(2).padStart(+kind.slice(1), '0');
      if (bits.length % 8 === 0) {
        parts.push(number(BigInt(`0b${bits}`), bits.length / 8));
        bits = '';
      }
    } else if (SIZES[kind]) parts.push(number(fields[name] ?? 0, SIZES[kind]));
    else if (kind === 'b96') parts.push(Buffer.from(fields[name], 'hex'));
    else if (kind.startsWith('list')) {
      const size = { list: 2, list8: 1, list32: 4 }[kind];
      parts.push(number(fields[item].length, 2), ...fields[item].map((value) => number(value, size)));
    } else if (kind === 'text') {
      const text = Buffer.from(fields[name] ?? '');
      parts.push(number(text.length, 2), text);
    } else {
      const bytes = Buffer.from(fields[item], 'hex');
      parts.push(number(kind === 'bits' ? bytes.length * 8 : bytes.length / 2, 2), bytes);
    }
  }
  return Buffer.concat(parts);
}

// A parameter as [name, fields, ...parameters within].
function writeParameter([name, fields, ...subs]) {
  if (TV_TYPES[name]) {
    const [, kind, field] = TVS[TV_TYPES[name]];
    return Buffer.concat([Buffer.from([0x80 | TV_TYPES[name]]), writeFields([[kind, field]], fields)]);
  }
  const type = TLV_TYPES[name];
  const body = Buffer.concat([writeFields(PARAMETERS[type][1], fields ?? {}), ...subs.map(writeParameter)]);
  return Buffer.concat([number(type, 2), number(body.length + 4, 2), body]);
}

export function encode(version, name, id, fields, ...subs) {
  const type = MESSAGE_TYPES[name];
  const body = Buffer.concat([writeFields(MESSAGES[type][1], fields), ...subs.map(writeParameter)]);
  return Buffer.concat([number(version << 10 | type, 2), number(body.length + 10, 4), number(id, 4), body]);
}
