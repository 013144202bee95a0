-- What this table's desk keeps over a restart: permanent like schema_records.sql, and since version 3.

-- The order to write that is not answered yet, chips that are made and not recorded, the place in a
-- stack. Local to this file, in no hash, never shown to another station.
CREATE TABLE desk (
  one INTEGER PRIMARY KEY CHECK (one = 1),
  kept BLOB NOT NULL              -- in desk.h's own form
);
