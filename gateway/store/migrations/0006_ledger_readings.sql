-- What was read by hand is kept as it was read, with the parts of its
-- uncertainty; and a retest after work can be signed for. SQLite changes no
-- CHECK, so the table is made anew with every row as it was.
CREATE TABLE ledger_anew (
    id           INTEGER PRIMARY KEY,
    brake        INTEGER NOT NULL REFERENCES brakes (id),
    at_ns        INTEGER NOT NULL, -- when it was done
    entered_ns   INTEGER NOT NULL, -- when it was entered
    kind         TEXT NOT NULL CHECK (kind IN ('reading', 'adjustment', 'lining', 'out-of-service', 'return', 'retest', 'correction')),
    steps        INTEGER NOT NULL, -- whole steps of the adjuster; below zero: turned back
    gap_mm       REAL,
    gap_u_mm     REAL,
    still_mm     REAL,
    running_mm   REAL,
    repeats      INTEGER NOT NULL,
    u_a_mm       REAL, -- of gap_u_mm: from the repeats …
    u_b_mm       REAL, -- … and from the gauge
    read         TEXT NOT NULL, -- the repeats themselves as JSON; empty where they aren't known
    thickness_mm REAL,
    no_load      TEXT NOT NULL CHECK (no_load IN ('', 'passed', 'failed')),
    with_load    TEXT NOT NULL CHECK (with_load IN ('', 'passed', 'failed')),
    who          TEXT NOT NULL CHECK (who <> ''),
    note         TEXT NOT NULL,
    corrects     INTEGER UNIQUE REFERENCES ledger_anew (id) -- an entry is corrected once: then its correction is
) STRICT;
INSERT INTO ledger_anew
    SELECT id, brake, at_ns, entered_ns, kind, steps, gap_mm, gap_u_mm, still_mm, running_mm, repeats, NULL, NULL, '', thickness_mm, '', '', who, note, corrects
    FROM ledger ORDER BY id;
DROP TABLE ledger; -- with its index and its triggers
ALTER TABLE ledger_anew RENAME TO ledger;
CREATE INDEX ledger_by_brake ON ledger (brake, at_ns);

CREATE TRIGGER ledger_is_not_edited BEFORE UPDATE ON ledger
BEGIN
    SELECT raise(ABORT, 'an entry of the ledger is never edited: enter a correction');
END;
CREATE TRIGGER ledger_is_not_deleted BEFORE DELETE ON ledger
BEGIN
    SELECT raise(ABORT, 'an entry of the ledger is never deleted: enter a correction');
END;
