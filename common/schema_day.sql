-- What happens all day beside issuing: rebuildable like schema_state.sql, and since version 2.

-- Every held hold of a bib.
CREATE TABLE hold (
  rid INTEGER PRIMARY KEY REFERENCES record (rid),
  bib TEXT NOT NULL,
  key BLOB NOT NULL,              -- its author
  chain INTEGER NOT NULL,         -- where it stands, as in table record
  how INTEGER NOT NULL,           -- 1 free, 2 held, 3 missing, 4 to reprint
  counted INTEGER NOT NULL
);
CREATE INDEX hold_bib ON hold (bib);
CREATE INDEX hold_key ON hold (key);
CREATE INDEX hold_chain ON hold (chain);

-- What the counted holds make of each bib that one names.
CREATE TABLE held (
  bib TEXT PRIMARY KEY,
  how INTEGER NOT NULL,           -- of the hold that stands, as above
  rid INTEGER NOT NULL,           -- that hold
  hash BLOB NOT NULL              -- BLAKE2b-512 of the canonical row
) WITHOUT ROWID;

-- Where looks, rolls, notes and handovers stand. Whether they count is asked when they are read.
CREATE TABLE said (
  rid INTEGER PRIMARY KEY REFERENCES record (rid),
  kind INTEGER NOT NULL,
  bib TEXT                        -- that it is about, or NULL
);
CREATE INDEX said_kind ON said (kind, bib);

-- The tags that looks heard, by the bib that was in hand.
CREATE TABLE heard (
  rid INTEGER NOT NULL REFERENCES record (rid),
  position INTEGER NOT NULL,      -- from 1
  bib TEXT NOT NULL,
  epc BLOB NOT NULL,
  tid BLOB,                       -- NULL where it was not read
  PRIMARY KEY (rid, position)
) WITHOUT ROWID;
CREATE INDEX heard_bib ON heard (bib);

-- Tags of a supplier's list, which nobody had read when they were put down (see table tag).
CREATE TABLE unseen (
  rid INTEGER NOT NULL REFERENCES record (rid),
  position INTEGER NOT NULL,
  PRIMARY KEY (rid, position)
) WITHOUT ROWID;
