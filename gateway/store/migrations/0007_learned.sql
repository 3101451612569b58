-- What a brake has learned from raw samples, which its stored cycles can't bring
-- back: replaced with each of its cycles, in the same transaction.
CREATE TABLE learned (
    brake    INTEGER PRIMARY KEY REFERENCES brakes (id),
    cycle    INTEGER NOT NULL, -- highest id of a cycle when it was stored
    settings TEXT NOT NULL,    -- mark of the settings that it was learned with
    state    BLOB NOT NULL
) STRICT;

-- Where an entry stands among the cycles: a restart takes it in there again.
-- NULL where it was entered before this was noted.
ALTER TABLE ledger ADD COLUMN after_cycle INTEGER; -- highest id of a cycle when it was stored

-- How the latest works at the adjusters turned out, by their entries.
CREATE TABLE work_checks (
    entry      INTEGER PRIMARY KEY REFERENCES ledger (id),
    brake      INTEGER NOT NULL REFERENCES brakes (id),
    at_ns      INTEGER NOT NULL, -- when it was last looked at
    outcome    INTEGER NOT NULL,
    cycles     INTEGER NOT NULL,
    gap_mm     REAL,
    gap_u_mm   REAL,
    off_mm     REAL,
    u_mm       REAL,
    short      INTEGER NOT NULL,
    state      INTEGER NOT NULL,
    words      TEXT NOT NULL
) STRICT;
CREATE INDEX work_checks_by_brake ON work_checks (brake);

-- A step of a brake's gap that looks like an adjustment nobody entered.
CREATE TABLE offers (
    brake   INTEGER PRIMARY KEY REFERENCES brakes (id),
    at_ns   INTEGER NOT NULL, -- of the cycle in which it was found
    steps   INTEGER NOT NULL,
    from_mm REAL NOT NULL,
    to_mm   REAL NOT NULL,
    words   TEXT NOT NULL
) STRICT;
