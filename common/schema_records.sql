-- Permanent tables: what cannot be made again from anything else in the file.

-- The event this ledger is of, as raw bytes: 'event' (32, event id), 'root' (32, root key).
CREATE TABLE fact (
  name TEXT PRIMARY KEY,
  value BLOB NOT NULL
) WITHOUT ROWID;

-- Every held record, in the order in which it came (rid is local and in no hash).
CREATE TABLE record (
  rid INTEGER PRIMARY KEY,
  id BLOB NOT NULL UNIQUE,        -- BLAKE2b-256 of raw
  chain INTEGER NOT NULL,         -- where it stands: table chain, made again from raw by verify
  number INTEGER NOT NULL,        -- in its log, from 1
  raw BLOB NOT NULL,              -- the record as it was signed
  UNIQUE (chain, number)
);

-- What other stations said durably that they hold, by chain position of our own logs: a hint for
-- people, raised and never lowered.
CREATE TABLE receipt (
  station BLOB NOT NULL,          -- signing key of the station that said so
  log BLOB NOT NULL,              -- log id
  number INTEGER NOT NULL,        -- it holds the log up to here
  PRIMARY KEY (log, station)
) WITHOUT ROWID;
