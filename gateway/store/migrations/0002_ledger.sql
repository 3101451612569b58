-- What people did at the brakes and read there. An entry is never changed or
-- taken out: a later one takes its place by naming it in corrects.

CREATE TABLE ledger (
    id           INTEGER PRIMARY KEY,
    brake        INTEGER NOT NULL REFERENCES brakes (id),
    at_ns        INTEGER NOT NULL, -- when it was done
    entered_ns   INTEGER NOT NULL, -- when it was entered
    kind         TEXT NOT NULL CHECK (kind IN ('reading', 'adjustment', 'lining', 'out-of-service', 'return', 'correction')),
    steps        INTEGER NOT NULL, -- whole steps of the adjuster; below zero: turned back
    gap_mm       REAL,
    gap_u_mm     REAL,
    still_mm     REAL,
    running_mm   REAL,
    repeats      INTEGER NOT NULL,
    thickness_mm REAL,
    who          TEXT NOT NULL CHECK (who <> ''),
    note         TEXT NOT NULL,
    corrects     INTEGER UNIQUE REFERENCES ledger (id) -- an entry is corrected once: then its correction is
) STRICT;
CREATE INDEX ledger_by_brake ON ledger (brake, at_ns);

CREATE TRIGGER ledger_is_not_edited BEFORE UPDATE ON ledger
BEGIN
    SELECT raise(ABORT, 'an entry of the ledger is never edited: enter a correction');
END;
CREATE TRIGGER ledger_is_not_deleted BEFORE DELETE ON ledger
BEGIN
    SELECT raise(ABORT, 'an entry of the ledger is never deleted: enter a correction');
END;
