-- Why an alarm was raised, in words, where its condition alone doesn't say.
ALTER TABLE alarms ADD COLUMN detail TEXT NOT NULL DEFAULT '';

-- What is left of a brake's UTC day once its cycles are rolled up; how many
-- they were stays in days. Quantiles are NULL where no cycle had the figure.
CREATE TABLE daily (
    brake       INTEGER NOT NULL REFERENCES brakes (id),
    day         INTEGER NOT NULL, -- since 1970
    first_ns    INTEGER NOT NULL, -- of the cycles with a gap, or of all where none has one
    last_ns     INTEGER NOT NULL,
    gaps        INTEGER NOT NULL, -- cycles with a gap
    gap_mean    REAL,
    gap_min     REAL,
    gap_p05     REAL,
    gap_p50     REAL,
    gap_p95     REAL,
    gap_max     REAL,
    release_p50 REAL,
    release_p95 REAL,
    set_p50     REAL,
    set_p95     REAL,
    wear        REAL, -- µm per 1000 cycles, by the day's last forecast
    PRIMARY KEY (brake, day)
) STRICT, WITHOUT ROWID;

-- The highest id that was ever given in a stream whose newest rows are gone, so
-- that it doesn't come again.
CREATE TABLE given (
    stream TEXT PRIMARY KEY,
    id     INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX forecasts_by_time ON forecasts (at_ns);
