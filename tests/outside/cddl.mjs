// cddl.mjs: reads CDDL (RFC 8610) and checks decoded CBOR against it.
//
// Handles exactly the constructs that common/record.cddl uses, and refuses to load anything else:
// maps, arrays and occurrences, choices, & groups of named numbers, ranges, literals, tags,
// .size, .regexp and .cbor. Packaged validators of CDDL were found not to take integer keys.
//
// Values are as cbor2 gives them with preferBigInt and preferMap: integers are BigInt, floats are
// Number, byte strings are Uint8Array, maps are Map, tags have .tag and .contents.

const TOKEN = new RegExp(
  [
    /(?<skip>\s+|;[^\n]*)/,
    /(?<text>"[^"\\]*")/,
    /h'(?<hex>[0-9A-Fa-f]*)'/,
    /#6\.(?<tag>\d+)/,
    /(?<number>-?\d+)/,
    /(?<mark>\.\.|=>|[=/,:?*^&()[\]{}])/,
    /\.(?<control>[a-z]+)/,
    /(?<name>[A-Za-z@_$][A-Za-z0-9@_$]*(?:[-.]+[A-Za-z0-9@_$]+)*)/,
  ].map((part) => part.source).join('|'), 'y');

function tokensOf(text) {
  const tokens = [];
  TOKEN.lastIndex = 0;
  while (TOKEN.lastIndex < text.length) {
    const at = TOKEN.lastIndex;
    const groups = TOKEN.exec(text)?.groups;
    if (!groups) throw new Error(`CDDL: not understood: ${text.slice(at, at + 30)}`);
    const [kind] = Object.keys(groups).filter((name) => groups[name] !== undefined);
    if (kind !== 'skip') tokens.push({ kind, value: groups[kind] });
  }
  return tokens;
}

const PRELUDE = {
  any: () => true,
  uint: (value) => typeof value === 'bigint' && value >= 0n,
  bstr: (value) => value instanceof Uint8Array,
  text: (value) => typeof value === 'string',
  bool: (value) => typeof value === 'boolean',
  true: (value) => value === true,
};

// The grammar, by recursive descent. A type is one of:
//   {is: 'name', name}  {is: 'literal', value}  {is: 'range', low, high}  {is: 'choice', options}
//   {is: 'array' | 'map', entries}  {is: 'tag', number, type}  {is: 'numbers', names}
//   {is: 'control', control, base, argument}
class Parser {
  constructor(text) {
    this.tokens = tokensOf(text);
    this.at = 0;
  }

  next() { return this.tokens[this.at++] ?? { kind: 'end', value: 'the end' }; }
  look(ahead = 0) { return this.tokens[this.at + ahead] ?? { kind: 'end', value: 'the end' }; }
  isMark(value, ahead = 0) {
    const token = this.look(ahead);
    return token.kind === 'mark' && token.value === value;
  }
  take(value) {
    if (this.isMark(value)) return this.next();
    throw new Error(`CDDL: ${value} expected before ${this.look().value}`);
  }

  rules() {
    const rules = new Map();
    while (this.at < this.tokens.length) {
      const { kind, value } = this.next();
      if (kind !== 'name' || rules.has(value)) throw new Error(`CDDL: no new rule: ${value}`);
      this.take('=');
      rules.set(value, this.type());
    }
    return rules;
  }

  type() {
    const options = [this.typeOfOne()];
    while (this.isMark('/')) {
      this.next();
      options.push(this.typeOfOne());
    }
    return options.length === 1 ? options[0] : { is: 'choice', options };
  }

  typeOfOne() {
    const base = this.simple();
    if (this.isMark('..')) {
      this.next();
      const high = this.simple();
      if (typeof base.value !== 'bigint' || typeof high.value !== 'bigint') {
        throw new Error('CDDL: a range of what are no integers');
      }
      return { is: 'range', low: base.value, high: high.value };
    }
    if (this.look().kind === 'control') {
      const control = this.next().value;
      if (!['size', 'regexp', 'cbor'].includes(control)) throw new Error(`CDDL: .${control}`);
      return { is: 'control', control, base, argument: this.simple() };
    }
    return base;
  }

  simple() {
    const { kind, value } = this.next();
    switch (kind === 'mark' ? value : kind) {
      case 'name': return { is: 'name', name: value };
      case 'number': return { is: 'literal', value: BigInt(value) };
      case 'text': return { is: 'literal', value: value.slice(1, -1) };
      case 'hex': return { is: 'literal', value: new Uint8Array(Buffer.from(value, 'hex')) };
      case 'tag': return { is: 'tag', number: BigInt(value), type: this.inside('(', ')') };
      case '(': return this.close(this.type(), ')');
      case '[': return this.array();
      case '{': return { is: 'map', entries: this.entries('}') };
      case '&': return this.numbers();
      default: throw new Error(`CDDL: no type: ${value}`);
    }
  }

  inside(open, end) {
    this.take(open);
    return this.close(this.type(), end);
  }

  close(type, end) {
    this.take(end);
    return type;
  }

  array() {
    const entries = this.entries(']');
    // Matching is greedy, which is exact when only the last entry may repeat.
    if (entries.slice(0, -1).some((entry) => entry.min !== 1 || entry.max !== 1)) {
      throw new Error('CDDL: an array that repeats before its end');
    }
    return { is: 'array', entries };
  }

  numbers() {
    this.take('(');
    const names = new Map();
    for (const { label, type } of this.entries(')')) {
      if (label === undefined || typeof type.value !== 'bigint') {
        throw new Error('CDDL: & of what are no named numbers');
      }
      names.set(type.value, label);
    }
    return { is: 'numbers', names };
  }

  entries(end) {
    const entries = [];
    while (!this.isMark(end)) {
      entries.push(this.entry());
      if (!this.isMark(end)) this.take(',');
    }
    this.next();
    return entries;
  }

  entry() {
    const { min, max } = this.occurrence();
    if (this.look().kind === 'name' && this.isMark(':', 1)) {
      const label = this.next().value;
      this.next();
      return { min, max, label, type: this.type() };
    }
    const type = this.type();
    if (this.isMark('^')) this.next();
    if (!this.isMark('=>') && !this.isMark(':')) return { min, max, type };
    this.next();
    return { min, max, key: type, type: this.type() };
  }

  occurrence() {
    if (this.isMark('?')) return this.next() && { min: 0, max: 1 };
    const low = this.look().kind === 'number' && this.isMark('*', 1);
    if (!low && !this.isMark('*')) return { min: 1, max: 1 };
    const min = low ? Number(this.next().value) : 0;
    this.take('*');
    const max = this.look().kind === 'number' && low ? Number(this.next().value) : Infinity;
    return { min, max };
  }
}

function shown(value) {
  if (value instanceof Uint8Array) return `h'${Buffer.from(value).toString('hex')}'`;
  return typeof value === 'string' ? JSON.stringify(value) : String(value);
}

const same = (a, b) => (a instanceof Uint8Array && b instanceof Uint8Array
  ? Buffer.compare(a, b) === 0 : a === b);

export class Cddl {
  // `decode` turns the bytes under .cbor into a value, and throws if it cannot.
  constructor(text, decode) {
    this.rules = new Parser(text).rules();
    this.decode = decode;
    for (const [name, type] of this.rules) this.#known(name, type);
  }

  // Every name that is used must be there: a slip of the pen must not turn into "anything goes".
  #known(rule, type) {
    if (type.is === 'name' && !this.rules.has(type.name) && !(type.name in PRELUDE)) {
      throw new Error(`CDDL: ${rule} uses ${type.name}, which is not there`);
    }
    const parts = [type.type, type.base, type.argument, ...(type.options ?? [])];
    for (const entry of type.entries ?? []) parts.push(entry.key, entry.type);
    for (const part of parts) if (part) this.#known(rule, part);
  }

  // The named numbers of a rule, as a Map from number to name.
  numbers(rule) {
    const type = this.rules.get(rule);
    const names = [type, ...(type.options ?? [])].find((option) => option.is === 'numbers');
    return names.names;
  }

  // Throws an Error that says where and what, if `value` is not of the rule's shape.
  check(rule, value) {
    this.#match(this.rules.get(rule), value, rule);
  }

  #fits(type, value) {
    try {
      this.#match(type, value, '');
      return true;
    } catch {
      return false;
    }
  }

  #match(type, value, path) {
    const refuse = (what) => { throw new Error(`${path}: ${shown(value)} is not ${what}`); };
    switch (type.is) {
      case 'name':
        if (this.rules.has(type.name)) return this.#match(this.rules.get(type.name), value, path);
        return PRELUDE[type.name](value) || refuse(type.name);
      case 'literal':
        return same(type.value, value) || refuse(shown(type.value));
      case 'range':
        return (typeof value === 'bigint' && value >= type.low && value <= type.high)
          || refuse(`${type.low}..${type.high}`);
      case 'numbers':
        return type.names.has(value) || refuse([...type.names.values()].join(' or '));
      case 'choice':
        return type.options.some((option) => this.#fits(option, value)) || refuse('of any choice');
      case 'tag':
        if (typeof value !== 'object' || value?.tag === undefined
          || BigInt(value.tag) !== type.number) return refuse(`tag ${type.number}`);
        return this.#match(type.type, value.contents, path);
      case 'array': return this.#array(type, value, path, refuse);
      case 'map': return this.#map(type, value, path, refuse);
      case 'control': return this.#control(type, value, path, refuse);
      default: throw new Error(`CDDL: ${type.is}`);
    }
  }

  #array(type, value, path, refuse) {
    if (!Array.isArray(value)) refuse('an array');
    let at = 0;
    for (const entry of type.entries) {
      let count = 0;
      for (; at < value.length && count < entry.max; at++, count++) {
        this.#match(entry.type, value[at], `${path}[${entry.label ?? at}]`);
      }
      if (count < entry.min) refuse(`long enough (${count} of ${entry.min})`);
    }
    if (at < value.length) refuse(`short enough (${value.length} items)`);
  }

  // A key with an entry of its own must fit that entry, and never falls through to `* any => any`:
  // the cut of RFC 8610, 3.5.4.
  #map(type, value, path, refuse) {
    if (!(value instanceof Map)) refuse('a map');
    const own = type.entries.filter((entry) => entry.key?.is === 'literal');
    const open = type.entries.filter((entry) => entry.key?.is !== 'literal');
    for (const entry of own) {
      if (!value.has(entry.key.value) && entry.min > 0) refuse(`with key ${entry.key.value}`);
    }
    for (const [key, item] of value) {
      const where = `${path}.${shown(key)}`;
      const entry = own.find((candidate) => same(candidate.key.value, key))
        ?? open.find((candidate) => candidate.key && this.#fits(candidate.key, key));
      if (!entry) throw new Error(`${where}: a key that is not provided for`);
      this.#match(entry.type, item, where);
    }
  }

  #control(type, value, path, refuse) {
    this.#match(type.base, value, path);
    if (type.control === 'size') {
      const size = typeof value === 'string' ? Buffer.byteLength(value) : value.length;
      if (!this.#fits(type.argument, BigInt(size))) refuse(`of its size (it has ${size})`);
    } else if (type.control === 'regexp') {
      if (!new RegExp(`^(?:${type.argument.value})$`, 'u').test(value)) refuse(type.argument.value);
    } else {
      this.#match(type.argument, this.decode(value), `${path}(`);
    }
  }
}
