-- The journal of one bench. Times are nanoseconds since 1970-01-01 UTC; a time
-- that is not known is NULL. Levels that are missing are NULL. Identifiers are
-- UUIDs of version 7 (RFC 9562) as text: unique everywhere, ordered by time.
-- Numbers given here (n, seq, entry) rise in the order of storing, whatever the
-- clock does.

-- +goose Up

-- "LIDD": tells this file from any other database (PRAGMA application_id).
PRAGMA application_id = 1279870020;

-- One row: which journal this is, for whoever collects several.
CREATE TABLE journal (
    one        INTEGER PRIMARY KEY CHECK (one = 1),
    id         TEXT    NOT NULL,
    created_ns INTEGER NOT NULL
) STRICT;

CREATE TABLE runs (
    n            INTEGER PRIMARY KEY AUTOINCREMENT,
    id           TEXT    NOT NULL UNIQUE,
    bench        TEXT    NOT NULL,
    plan         TEXT    NOT NULL,
    key          TEXT,                 -- idempotency key of the trigger
    operator     TEXT    NOT NULL,
    triggered_by TEXT    NOT NULL,
    software     TEXT    NOT NULL,
    hand_read    INTEGER NOT NULL,     -- levels were read by hand
    snapshot     TEXT    NOT NULL,     -- JSON: plan, bench, specimens, requirement, steps
    created_ns   INTEGER,
    -- What changes while a run lasts:
    started_ns   INTEGER,
    ended_ns     INTEGER,
    analyzer     TEXT,                 -- JSON: identity at the start
    source       TEXT,                 -- JSON: identity at the start
    state        TEXT    NOT NULL,
    reason       TEXT    NOT NULL,
    step         INTEGER NOT NULL,     -- checkpoint: the next point to capture
    point        INTEGER NOT NULL
) STRICT;

CREATE UNIQUE INDEX runs_key   ON runs (bench, key) WHERE key IS NOT NULL;
CREATE INDEX runs_plan         ON runs (bench, plan, n);
CREATE INDEX runs_state        ON runs (state, n);

CREATE TABLE run_specimens (
    run_n    INTEGER NOT NULL REFERENCES runs (n),
    place    INTEGER NOT NULL,         -- in the run's list, from 0
    specimen TEXT    NOT NULL,
    PRIMARY KEY (run_n, place)
) STRICT, WITHOUT ROWID;

CREATE INDEX run_specimens_name ON run_specimens (specimen, run_n);

CREATE TABLE captures (
    n                INTEGER PRIMARY KEY AUTOINCREMENT,
    id               TEXT    NOT NULL UNIQUE,
    run_n            INTEGER NOT NULL REFERENCES runs (n),
    seq              INTEGER NOT NULL, -- within the run, from 1
    step             INTEGER NOT NULL,
    kind             TEXT    NOT NULL, -- ambient, reference, enclosed, closing_reference
    specimen         TEXT    NOT NULL, -- empty: no shield
    position         TEXT    NOT NULL,
    polarization     TEXT    NOT NULL,
    repeat           INTEGER NOT NULL,
    point            INTEGER NOT NULL, -- index in the plan; -1: the whole held trace of a sealed step
    freq_hz          REAL    NOT NULL,
    rung             INTEGER NOT NULL,
    source_freq_hz   REAL    NOT NULL, -- as read back; 0: not read back
    source_level_dbm REAL,             -- as read back
    settings         TEXT    NOT NULL, -- JSON: analyzer settings as read back
    hold_sweeps      INTEGER NOT NULL,
    held_sweeps      INTEGER NOT NULL,
    hand_level_dbm   REAL,
    hand_noise_dbm   REAL,
    overload         INTEGER NOT NULL,
    void             TEXT    NOT NULL, -- not empty: no valid capture, and why
    begun_ns         INTEGER,
    took_ns          INTEGER NOT NULL,
    nominal_ns       INTEGER NOT NULL,
    UNIQUE (run_n, seq)
) STRICT;

CREATE INDEX captures_specimen ON captures (run_n, specimen);

-- The traces of a capture, as read.
CREATE TABLE looks (
    n         INTEGER PRIMARY KEY,
    capture_n INTEGER NOT NULL REFERENCES captures (n),
    look      INTEGER NOT NULL,        -- within the capture, from 0
    source_on INTEGER NOT NULL,
    start_hz  REAL    NOT NULL,        -- frequency of the first point
    stop_hz   REAL    NOT NULL,        -- frequency of the last point
    points    INTEGER NOT NULL,
    width     INTEGER NOT NULL CHECK (width IN (4, 8)),
    levels_dbm BLOB   NOT NULL CHECK (length(levels_dbm) = points * width), -- IEEE 754, little-endian, width bytes each; a NaN is a missing point
    begun_ns  INTEGER,
    took_ns   INTEGER NOT NULL,
    UNIQUE (capture_n, look)
) STRICT;

CREATE TABLE events (
    seq     INTEGER PRIMARY KEY AUTOINCREMENT,
    id      TEXT    NOT NULL UNIQUE,
    run_n   INTEGER REFERENCES runs (n), -- NULL: of no run
    time_ns INTEGER,
    kind    TEXT    NOT NULL,
    state   TEXT,
    step    INTEGER NOT NULL,
    point   INTEGER NOT NULL,
    text    TEXT    NOT NULL,
    who     TEXT    NOT NULL,
    extra   TEXT                         -- JSON
) STRICT;

CREATE INDEX events_run ON events (run_n, seq);

-- The transmission ledger: one row when the source is keyed, one when it is off
-- again. A keying without its end shows a crash while keyed.
CREATE TABLE keyings (
    entry     INTEGER PRIMARY KEY AUTOINCREMENT,
    id        TEXT    NOT NULL UNIQUE,
    run_n     INTEGER REFERENCES runs (n), -- NULL: of no run
    step      INTEGER NOT NULL,
    point     INTEGER NOT NULL,
    freq_hz   REAL    NOT NULL,
    level_dbm REAL    NOT NULL,
    on_ns     INTEGER NOT NULL
) STRICT;

CREATE INDEX keyings_run ON keyings (run_n, entry);
CREATE INDEX keyings_on  ON keyings (on_ns);

CREATE TABLE keying_ends (
    entry         INTEGER PRIMARY KEY REFERENCES keyings (entry),
    off_ns        INTEGER NOT NULL,
    not_confirmed TEXT    NOT NULL       -- why off could not be confirmed
) STRICT;

-- What was written stays.

-- +goose StatementBegin
CREATE TRIGGER captures_stay BEFORE UPDATE ON captures
BEGIN SELECT RAISE(ABORT, 'captures are never changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER captures_kept BEFORE DELETE ON captures
BEGIN SELECT RAISE(ABORT, 'captures are never deleted'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER looks_stay BEFORE UPDATE ON looks
BEGIN SELECT RAISE(ABORT, 'looks are never changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER looks_kept BEFORE DELETE ON looks
BEGIN SELECT RAISE(ABORT, 'looks are never deleted'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER events_stay BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER events_kept BEFORE DELETE ON events
BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER keyings_stay BEFORE UPDATE ON keyings
BEGIN SELECT RAISE(ABORT, 'keyings are never changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER keyings_kept BEFORE DELETE ON keyings
BEGIN SELECT RAISE(ABORT, 'keyings are never deleted'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER keying_ends_stay BEFORE UPDATE ON keying_ends
BEGIN SELECT RAISE(ABORT, 'ends of keyings are never changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER keying_ends_kept BEFORE DELETE ON keying_ends
BEGIN SELECT RAISE(ABORT, 'ends of keyings are never deleted'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER runs_stay BEFORE UPDATE OF n, id, bench, plan, key, operator, triggered_by, software, hand_read, snapshot, created_ns ON runs
BEGIN SELECT RAISE(ABORT, 'what a run was started with is never changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER runs_end BEFORE UPDATE OF state, ended_ns ON runs
WHEN OLD.state IN ('completed', 'stopped', 'aborted', 'failed')
BEGIN SELECT RAISE(ABORT, 'a run that has ended stays ended'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER runs_kept BEFORE DELETE ON runs
BEGIN SELECT RAISE(ABORT, 'runs are never deleted'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER run_specimens_stay BEFORE UPDATE ON run_specimens
BEGIN SELECT RAISE(ABORT, 'what a run was started with is never changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER run_specimens_kept BEFORE DELETE ON run_specimens
BEGIN SELECT RAISE(ABORT, 'runs are never deleted'); END;
-- +goose StatementEnd

-- For people with a database shell.

CREATE VIEW v_runs AS
SELECT id, bench, plan, operator, triggered_by, software, hand_read, state, reason, step, point,
       strftime('%Y-%m-%dT%H:%M:%fZ', created_ns / 1e9, 'unixepoch') AS created_utc,
       strftime('%Y-%m-%dT%H:%M:%fZ', started_ns / 1e9, 'unixepoch') AS started_utc,
       strftime('%Y-%m-%dT%H:%M:%fZ', ended_ns / 1e9, 'unixepoch') AS ended_utc
FROM runs;

CREATE VIEW v_keyings AS
SELECT k.entry, k.id, r.id AS run, r.bench, k.step, k.point, k.freq_hz, k.level_dbm,
       strftime('%Y-%m-%dT%H:%M:%fZ', k.on_ns / 1e9, 'unixepoch') AS on_utc,
       strftime('%Y-%m-%dT%H:%M:%fZ', e.off_ns / 1e9, 'unixepoch') AS off_utc,
       (e.off_ns - k.on_ns) / 1e9 AS on_s,
       e.not_confirmed
FROM keyings k LEFT JOIN keying_ends e USING (entry) LEFT JOIN runs r ON r.n = k.run_n;
