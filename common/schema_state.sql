-- Rebuildable tables: a pure function of the raw records (and of their order of arrival where a
-- column says local). `bibweave verify` makes them again from nothing and compares.

-- An unbranched stretch of a log. A fork begins a further chain.
CREATE TABLE chain (
  chain INTEGER PRIMARY KEY,      -- from 0, local
  log BLOB NOT NULL,              -- log id
  key BLOB NOT NULL,              -- signing key of its station
  parent_chain INTEGER,           -- fork point; NULL for a chain that begins with number 1
  parent_number INTEGER,
  head_number INTEGER NOT NULL,
  head_id BLOB NOT NULL
);

-- Entries of the records' clocks: the author of (chain, number) had seen this head.
CREATE TABLE seen (
  chain INTEGER NOT NULL,
  number INTEGER NOT NULL,
  target_id BLOB NOT NULL,        -- first 16 bytes of the head's record id
  target_number INTEGER NOT NULL, -- as the author wrote it
  target_log INTEGER,             -- the log's first chain; NULL while the head is not held
  target_chain INTEGER,
  inherits INTEGER NOT NULL       -- 1: an `open` that goes on from that head's clock
);
CREATE INDEX seen_lookup ON seen (chain, target_log, target_chain, target_number, number);
CREATE INDEX seen_waiting ON seen (target_id) WHERE target_chain IS NULL;

-- Who let whom in, and put whom out.
CREATE TABLE admit (
  rid INTEGER PRIMARY KEY REFERENCES record (rid),
  author BLOB NOT NULL,           -- signing key
  key BLOB NOT NULL,
  curve BLOB NOT NULL,
  name TEXT NOT NULL,
  role INTEGER NOT NULL,
  ticket BLOB                     -- id of the ticket that it was made for, or NULL
);
CREATE INDEX admit_key ON admit (key);
CREATE INDEX admit_author ON admit (author, role);
CREATE INDEX admit_ticket ON admit (ticket) WHERE ticket IS NOT NULL;

-- Where tickets and cancellations stand. Whether they count is asked when they are looked up.
CREATE TABLE ticket (
  rid INTEGER NOT NULL REFERENCES record (rid),
  position INTEGER NOT NULL,      -- of the entry in its record, from 0
  id BLOB NOT NULL,
  hash BLOB NOT NULL,             -- of the secret
  PRIMARY KEY (rid, position)
) WITHOUT ROWID;
CREATE INDEX ticket_id ON ticket (id);
CREATE INDEX ticket_hash ON ticket (hash);
CREATE TABLE cancel (
  ticket BLOB NOT NULL,           -- id
  rid INTEGER NOT NULL REFERENCES record (rid),
  PRIMARY KEY (ticket, rid)
) WITHOUT ROWID;

CREATE TABLE retire (
  rid INTEGER PRIMARY KEY REFERENCES record (rid),
  author BLOB NOT NULL,
  key BLOB NOT NULL,
  how INTEGER NOT NULL            -- 1 dead, 2 stolen
);
CREATE TABLE cutoff (
  rid INTEGER NOT NULL REFERENCES retire (rid),
  head_id BLOB NOT NULL           -- what lies on this head's chain still counts
);
CREATE INDEX cutoff_head ON cutoff (head_id);

-- Each station as the counted admits and retires have it.
CREATE TABLE station (
  key BLOB PRIMARY KEY,
  curve BLOB NOT NULL,
  name TEXT NOT NULL,
  role INTEGER NOT NULL,          -- 0 where no admit counts
  retired INTEGER NOT NULL,       -- 0 no, 1 dead, 2 stolen
  admitted_by INTEGER,            -- rid of the admit that gives the row its name and role
  hash BLOB NOT NULL              -- BLAKE2b-512 of the canonical row
) WITHOUT ROWID;
CREATE INDEX station_curve ON station (curve);

-- Whose numbers are whose.
CREATE TABLE allot (
  rid INTEGER NOT NULL REFERENCES record (rid),
  first INTEGER NOT NULL,
  last INTEGER NOT NULL,
  key BLOB NOT NULL,
  counted INTEGER NOT NULL
);
CREATE INDEX allot_key ON allot (key);
CREATE INDEX allot_rid ON allot (rid);

-- Issues, and the tags in them.
CREATE TABLE issue (
  rid INTEGER PRIMARY KEY REFERENCES record (rid),
  bib TEXT NOT NULL,
  key BLOB NOT NULL,              -- its author
  counted INTEGER NOT NULL,
  live INTEGER NOT NULL
);
CREATE INDEX issue_bib ON issue (bib);
CREATE INDEX issue_key ON issue (key);
CREATE TABLE tag (
  rid INTEGER NOT NULL REFERENCES issue (rid),
  position INTEGER NOT NULL,      -- from 1
  epc BLOB NOT NULL,
  tid BLOB,                       -- NULL where it was not read
  PRIMARY KEY (rid, position)
) WITHOUT ROWID;
CREATE INDEX tag_epc ON tag (epc);
CREATE INDEX tag_tid ON tag (tid) WHERE tid IS NOT NULL;

-- Voids, and every naming of a record by a void or an issue. The target need not be held yet.
CREATE TABLE void (
  rid INTEGER PRIMARY KEY REFERENCES record (rid),
  key BLOB NOT NULL,
  counted INTEGER NOT NULL
);
CREATE INDEX void_key ON void (key);
CREATE TABLE naming (
  target BLOB NOT NULL,           -- record id
  relation INTEGER NOT NULL,      -- 1 replaced by, 2 beside, 3 voided by
  rid INTEGER NOT NULL REFERENCES record (rid),
  PRIMARY KEY (target, relation, rid)
) WITHOUT ROWID;
CREATE INDEX naming_rid ON naming (rid);

-- Each bib that any issue names.
CREATE TABLE bib (
  bib TEXT PRIMARY KEY,
  state INTEGER NOT NULL,         -- 1 issued, 2 doubled, 3 emptied, 0 nothing that counts
  cause INTEGER NOT NULL,         -- of a double: 1 repeat, 2 knowing, 3 unaware
  doubt INTEGER NOT NULL,
  crossed INTEGER NOT NULL,
  live INTEGER NOT NULL,          -- how many live issues
  hash BLOB NOT NULL              -- BLAKE2b-512 of the canonical row
) WITHOUT ROWID;
CREATE INDEX bib_doubled ON bib (state) WHERE state = 2;
CREATE INDEX bib_doubt ON bib (doubt) WHERE doubt = 1;
CREATE INDEX bib_crossed ON bib (crossed) WHERE crossed = 1;

-- Bibs whose cause or crossing depends on the clocks of these chains.
CREATE TABLE contest (
  chain INTEGER NOT NULL,
  bib TEXT NOT NULL,
  PRIMARY KEY (chain, bib)
) WITHOUT ROWID;
CREATE INDEX contest_bib ON contest (bib);

-- Tags in live issues of two or more bibs.
CREATE TABLE shared (
  tag BLOB PRIMARY KEY,           -- 01 and the EPC, or 02 and the TID
  hash BLOB NOT NULL
) WITHOUT ROWID;

-- Records that are held and do not count, because of who wrote them.
CREATE TABLE beyond (
  rid INTEGER PRIMARY KEY REFERENCES record (rid),
  key BLOB NOT NULL,              -- its author
  kind INTEGER NOT NULL,
  why INTEGER NOT NULL            -- 1 not let in, 2 its role does not permit it, 3 after a theft
);
CREATE INDEX beyond_key ON beyond (key, why);

-- Records of a known kind whose body this program cannot read.
CREATE TABLE unreadable (
  rid INTEGER PRIMARY KEY REFERENCES record (rid)
);

-- The state hash's running parts: number of canonical rows, and the sum of their hashes mod 2^512.
CREATE TABLE total (
  one INTEGER PRIMARY KEY CHECK (one = 1),
  rows INTEGER NOT NULL,
  sum BLOB NOT NULL               -- 64 bytes, little-endian
);
INSERT INTO total VALUES (1, 0, zeroblob(64));
