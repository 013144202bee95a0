// tag.mjs: a Gen2 tag as its memory: four banks, PC and StoredCRC, passwords, locks, and ways to fail.
//
// After GS1 EPC Gen2 (ISO/IEC 18000-63): bank 0 kill and access password; bank 1 StoredCRC, PC, EPC;
// bank 2 TID; bank 3 user. StoredCRC is what the tag worked out when it was last powered, so it is
// stale after a write. Not modelled: sessions, killing, user memory, XPC, block operations.

// CRC-16/GENIBUS of the CRC catalogue: poly 1021h, init FFFFh, xorout FFFFh.
export function crc16(bytes) {
  let crc = 0xffff;
  for (const byte of bytes) {
    crc ^= byte << 8;
    for (let i = 0; i < 8; i += 1) crc = (crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1) & 0xffff;
  }
  return crc ^ 0xffff;
}

const bankOf = (hex, size) => {
  const bytes = Buffer.alloc(size);
  Buffer.from(hex, 'hex').copy(bytes);
  return bytes;
};

export class Tag {
  // `words`: room for PC and EPC. `fault`: what happens to the next write, see write().
  constructor({ epc = '', pc, tid, password = '00000000', locked = false, words = 7, rssi = -47, fault }) {
    const length = epc.length / 4;
    const head = pc ?? (length << 11).toString(16).padStart(4, '0');
    this.banks = [bankOf(`00000000${password}`, 8), bankOf(`0000${head}${epc}`, 2 + words * 2),
      Buffer.from(tid, 'hex'), Buffer.alloc(0)];
    Object.assign(this, { rssi, fault, locks: { epc: locked, password: locked } });
    this.power();
  }
  power() {
    this.banks[1].writeUInt16BE(crc16(this.banks[1].subarray(2, 4 + this.epcSize)), 0);
  }
  get pc() {
    return this.banks[1].readUInt16BE(2);
  }
  get epcSize() {
    return Math.min(this.pc >> 11 << 1, this.banks[1].length - 4);
  }
  get epc() {
    return this.banks[1].toString('hex', 4, 4 + this.epcSize);
  }
  get crc() {
    return this.banks[1].readUInt16BE(0);
  }
  get tid() {
    return this.banks[2].toString('hex');
  }
  get password() {
    return this.banks[0].readUInt32BE(4);
  }

  // Secured, open, or 'password' where the tag does not go along.
  #enter(password) {
    if (password === 0) return this.password === 0 ? 'secured' : 'open';
    return password === this.password ? 'secured' : 'password';
  }
  read(bank, word, count, password) {
    const state = this.#enter(password);
    if (state === 'password') return { result: state };
    const bytes = this.banks[bank];
    if (bank === 0 && this.locks.password && state !== 'secured') return { result: 'locked' };
    if ((word + count) * 2 > bytes.length) return { result: 'overrun' };
    return { result: 'ok', data: bytes.toString('hex', word * 2, (word + count) * 2) };
  }
  // Word by word. `fault` {after, result, act}: before that word the writing ends with this result, and
  // act() is called.
  write(bank, word, data, password) {
    const state = this.#enter(password);
    if (state === 'password') return { result: state, words: 0 };
    if (((bank === 1 && this.locks.epc) || (bank === 0 && this.locks.password)) && state !== 'secured') {
      return { result: 'locked', words: 0 };
    }
    const bytes = Buffer.from(data, 'hex');
    for (let i = 0; i < bytes.length / 2; i += 1) {
      if (this.fault?.after === i) {
        const { result, act, keep } = this.fault;
        if (!keep) this.fault = undefined;
        act?.();
        return { result, words: i };
      }
      if ((word + i + 1) * 2 > this.banks[bank].length) return { result: 'overrun', words: i };
      bytes.copy(this.banks[bank], (word + i) * 2, i * 2, i * 2 + 2);
    }
    return { result: 'ok', words: bytes.length / 2 };
  }
  // Of the fields access password (1) and EPC (2): to be written with the password alone (0), or not
  // locked (3).
  lock(payloads, password) {
    const state = this.#enter(password);
    if (state !== 'secured') return { result: state === 'open' ? 'locked' : state };
    for (const { privilege, data_field: field } of payloads) {
      this.locks[{ 1: 'password', 2: 'epc' }[field]] = privilege === 0;
    }
    return { result: 'ok' };
  }
  // Whether its memory has these bits: mask and data are hex, from bit `pointer` of the bank on.
  matches({ mb, match, pointer, tag_mask: mask, tag_data: data }) {
    const bytes = this.banks[mb];
    const [masked, wanted] = [Buffer.from(mask, 'hex'), Buffer.from(data, 'hex')];
    const bit = (of, at) => (of[at >> 3] ?? 0) >> (7 - at % 8) & 1;
    let same = true;
    for (let i = 0; i < masked.length * 8; i += 1) {
      const there = pointer + i < bytes.length * 8;
      if (bit(masked, i) && !(there && bit(bytes, pointer + i) === bit(wanted, i))) same = false;
    }
    return same === (match === 1);
  }
}
