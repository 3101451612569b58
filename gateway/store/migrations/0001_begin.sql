-- Times are nanoseconds UTC since 1970. A figure that could not be had is NULL.

CREATE TABLE brakes (
    id   INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE -- '' stands for the gateway itself
) STRICT;

-- Keyed by brake and time, so that one brake's history lies together on the
-- card; the ids, by which cycles are delivered, have an index.
CREATE TABLE cycles (
    brake             INTEGER NOT NULL REFERENCES brakes (id),
    at_ns             INTEGER NOT NULL,
    id                INTEGER NOT NULL,
    on_ns             INTEGER NOT NULL,
    kind              INTEGER NOT NULL,
    flags             INTEGER NOT NULL,
    gap_mm            REAL,
    gap_u_mm          REAL,
    gap_u_cal_mm      REAL,
    release_s         REAL,
    release_u_s       REAL,
    set_s             REAL,
    set_u_s           REAL,
    set_level_mm      REAL,
    released_level_mm REAL,
    temperature_c     REAL,
    PRIMARY KEY (brake, at_ns)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX cycles_by_id ON cycles (id);

-- Cycles a UTC day: counting them afresh reads the whole history.
CREATE TABLE days (
    brake      INTEGER NOT NULL REFERENCES brakes (id),
    day        INTEGER NOT NULL, -- since 1970
    full_count INTEGER NOT NULL,
    jog_count  INTEGER NOT NULL,
    PRIMARY KEY (brake, day)
) STRICT, WITHOUT ROWID;

CREATE TABLE verdicts (
    brake       INTEGER PRIMARY KEY REFERENCES brakes (id),
    rev         INTEGER NOT NULL, -- rises with every verdict stored
    at_ns       INTEGER NOT NULL,
    state       INTEGER NOT NULL,
    gap_mm      REAL,
    gap_u_mm    REAL,
    release_s   REAL,
    release_u_s REAL,
    set_s       REAL,
    set_u_s     REAL,
    full_count  INTEGER NOT NULL,
    jog_count   INTEGER NOT NULL
) STRICT;

CREATE TABLE forecasts (
    id         INTEGER PRIMARY KEY,
    brake      INTEGER NOT NULL REFERENCES brakes (id),
    at_ns      INTEGER NOT NULL,
    limit_name TEXT NOT NULL,
    limit_mm   REAL,
    gap_mm     REAL,
    gap_u_mm   REAL,
    wear       REAL, -- µm per 1000 cycles
    wear_u     REAL,
    cycles_p05 REAL,
    cycles_p50 REAL,
    cycles_p95 REAL,
    date_p05   REAL,
    date_p50   REAL,
    date_p95   REAL
) STRICT;
CREATE TABLE latest_forecasts (
    brake      INTEGER NOT NULL,
    limit_name TEXT NOT NULL,
    forecast   INTEGER NOT NULL REFERENCES forecasts (id),
    PRIMARY KEY (brake, limit_name)
) STRICT, WITHOUT ROWID;

CREATE TABLE alarms (
    id         INTEGER PRIMARY KEY,
    brake      INTEGER NOT NULL REFERENCES brakes (id),
    at_ns      INTEGER NOT NULL,
    condition  TEXT NOT NULL,
    change     INTEGER NOT NULL,
    state      INTEGER NOT NULL,
    since_ns   INTEGER NOT NULL,
    value      REAL,
    u          REAL,
    limit_at   REAL,
    unit       TEXT NOT NULL,
    signal     TEXT NOT NULL,
    by_whom    TEXT NOT NULL
) STRICT;
CREATE INDEX alarms_by_brake ON alarms (brake, at_ns);
CREATE TABLE latest_alarms (
    brake     INTEGER NOT NULL,
    condition TEXT NOT NULL,
    alarm     INTEGER NOT NULL REFERENCES alarms (id),
    PRIMARY KEY (brake, condition)
) STRICT, WITHOUT ROWID;

CREATE TABLE waveforms (
    brake       INTEGER NOT NULL REFERENCES brakes (id),
    cycle_at_ns INTEGER NOT NULL,
    alarmed     INTEGER NOT NULL, -- 1: an alarm was raised in this cycle, keep it
    off_ns      INTEGER NOT NULL,
    points      BLOB NOT NULL,
    PRIMARY KEY (brake, cycle_at_ns)
) STRICT, WITHOUT ROWID;

CREATE TABLE cursors (
    name TEXT PRIMARY KEY,
    id   INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
