-- The tables of store version 1. Never changed: what comes later is a step of its own.
--
-- Times are nanoseconds since the run began unless they are text, which is wall
-- time. `entry` counts the entries of a run, of all kinds together, in the order
-- in which they were committed. NULL is "not known".
--
-- Numbers are in columns of type ANY, with a check, because a column of type
-- REAL loses the sign of zero: it keeps whole numbers as integers.

CREATE TABLE run (
    run INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    began TEXT NOT NULL,
    program_version TEXT NOT NULL,
    seed TEXT,
    plan_sha256 TEXT NOT NULL,
    plan_text TEXT NOT NULL,
    rig_sha256 TEXT NOT NULL,
    rig_text TEXT NOT NULL
) STRICT;

CREATE TABLE unit (
    run INTEGER NOT NULL REFERENCES run (run),
    position TEXT NOT NULL,
    serial TEXT NOT NULL,
    model TEXT,
    revision TEXT,
    job TEXT,
    settings_json TEXT NOT NULL,
    notes TEXT,
    PRIMARY KEY (run, position)
) STRICT, WITHOUT ROWID;

CREATE TABLE reading (
    run INTEGER NOT NULL REFERENCES run (run),
    entry INTEGER NOT NULL,
    stage INTEGER NOT NULL,
    round INTEGER NOT NULL,
    slot INTEGER NOT NULL,
    repeat INTEGER NOT NULL,
    attempt INTEGER NOT NULL,
    position TEXT NOT NULL,
    asked_note_number ANY NOT NULL CHECK (typeof(asked_note_number) = 'real'),
    residue_v ANY NOT NULL CHECK (typeof(residue_v) = 'real'),
    played_ns INTEGER NOT NULL,
    at_ns INTEGER NOT NULL,
    end_ns INTEGER NOT NULL,
    window_s ANY NOT NULL CHECK (typeof(window_s) = 'real'),
    state TEXT NOT NULL,
    flags TEXT NOT NULL,
    hz ANY CHECK (typeof(hz) IN ('real', 'null')),
    u_hz ANY CHECK (typeof(u_hz) IN ('real', 'null')),
    level_dbfs ANY CHECK (typeof(level_dbfs) IN ('real', 'null')),
    air_celsius ANY CHECK (typeof(air_celsius) IN ('real', 'null')),
    supply_v ANY CHECK (typeof(supply_v) IN ('real', 'null')),
    PRIMARY KEY (run, entry),
    UNIQUE (run, stage, round, slot, repeat, attempt, position)
) STRICT, WITHOUT ROWID;

CREATE TABLE trace (
    run INTEGER NOT NULL REFERENCES run (run),
    entry INTEGER NOT NULL,
    stage INTEGER NOT NULL,
    position TEXT NOT NULL,
    chunk INTEGER NOT NULL,
    asked_note_number ANY NOT NULL CHECK (typeof(asked_note_number) = 'real'),
    residue_v ANY NOT NULL CHECK (typeof(residue_v) = 'real'),
    played_ns INTEGER NOT NULL,
    at_ns INTEGER NOT NULL,
    end_ns INTEGER NOT NULL,
    hop_s ANY NOT NULL CHECK (typeof(hop_s) = 'real'),
    PRIMARY KEY (run, entry),
    UNIQUE (run, stage, position, chunk)
) STRICT, WITHOUT ROWID;

CREATE TABLE point (
    run INTEGER NOT NULL,
    entry INTEGER NOT NULL,
    place INTEGER NOT NULL,
    state TEXT NOT NULL,
    flags TEXT NOT NULL,
    hz ANY CHECK (typeof(hz) IN ('real', 'null')),
    u_hz ANY CHECK (typeof(u_hz) IN ('real', 'null')),
    level_dbfs ANY CHECK (typeof(level_dbfs) IN ('real', 'null')),
    PRIMARY KEY (run, entry, place),
    FOREIGN KEY (run, entry) REFERENCES trace (run, entry)
) STRICT, WITHOUT ROWID;

CREATE TABLE gap (
    run INTEGER NOT NULL REFERENCES run (run),
    entry INTEGER NOT NULL,
    stage INTEGER NOT NULL,
    round INTEGER NOT NULL,
    slot INTEGER,
    position TEXT,
    at_ns INTEGER NOT NULL,
    reason TEXT NOT NULL,
    PRIMARY KEY (run, entry)
) STRICT, WITHOUT ROWID;

CREATE TABLE event (
    run INTEGER NOT NULL REFERENCES run (run),
    entry INTEGER NOT NULL,
    at_ns INTEGER NOT NULL,
    wall TEXT NOT NULL,
    kind TEXT NOT NULL,
    stage INTEGER,
    position TEXT,
    text TEXT NOT NULL,
    PRIMARY KEY (run, entry)
) STRICT, WITHOUT ROWID;

CREATE TABLE evidence (
    run INTEGER NOT NULL,
    stage INTEGER NOT NULL,
    round INTEGER NOT NULL,
    slot INTEGER NOT NULL,
    repeat INTEGER NOT NULL,
    attempt INTEGER NOT NULL,
    position TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    bytes INTEGER NOT NULL,
    PRIMARY KEY (run, stage, round, slot, repeat, attempt, position),
    FOREIGN KEY (run, stage, round, slot, repeat, attempt, position)
        REFERENCES reading (run, stage, round, slot, repeat, attempt, position)
) STRICT, WITHOUT ROWID;

CREATE TABLE heartbeat (
    run INTEGER PRIMARY KEY REFERENCES run (run),
    at TEXT NOT NULL,
    process INTEGER NOT NULL
) STRICT;

CREATE TABLE request (
    request INTEGER PRIMARY KEY AUTOINCREMENT,
    run INTEGER NOT NULL REFERENCES run (run),
    asked TEXT NOT NULL,
    kind TEXT NOT NULL,
    text TEXT,
    taken TEXT
) STRICT;
CREATE INDEX request_open ON request (run, request) WHERE taken IS NULL;
