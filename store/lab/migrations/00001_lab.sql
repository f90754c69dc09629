-- The journals of many benches in one place. The tables hold what the journals
-- hold, column by column, and are written by the benches' shippers alone; people
-- read the views (v_...), which carry units in their names and real times.
--
-- What lasts long is partitioned by month: by the time in the run's identifier
-- (UUID version 7, RFC 9562), so that a run lies in one partition; records of no
-- run by the time in their own. Partitions are made ahead by make_partitions and
-- dropped by drop_partitions; a record whose month has none goes to the default
-- partition and moves when its month is made. Headers of runs, their specimens
-- and the summaries of specimens are small and stay.

-- +goose Up

CREATE SCHEMA IF NOT EXISTS lidded;

-- Roles that logins are put into: ship writes records, read reads.
-- +goose StatementBegin
DO $$
DECLARE role text;
BEGIN
    FOREACH role IN ARRAY ARRAY['lidded_ship', 'lidded_read'] LOOP
        IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = role) THEN
            BEGIN
                EXECUTE format('CREATE ROLE %I NOLOGIN', role);
            EXCEPTION WHEN duplicate_object OR unique_violation THEN
                NULL; -- somebody else made it at the same moment
            END;
        END IF;
    END LOOP;
END $$;
-- +goose StatementEnd

-- One row per journal: who ships, and how far.
CREATE TABLE lidded.journals (
    n            integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    id           uuid        NOT NULL UNIQUE,
    event_seq    bigint      NOT NULL DEFAULT 0, -- events up to here are in
    event_id     uuid,                           -- of that event: tells a journal that went back
    keying_entry bigint      NOT NULL DEFAULT 0, -- entries of the ledger up to here are in
    open_entries bigint[]    NOT NULL DEFAULT '{}', -- of those, the ones without an end
    shipped_at   timestamptz,
    first_at     timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE lidded.runs (
    id           uuid    PRIMARY KEY,
    journal      integer NOT NULL REFERENCES lidded.journals (n),
    n            bigint  NOT NULL,       -- number in the journal
    run_time     timestamptz NOT NULL,   -- in the identifier
    bench        text    NOT NULL,
    plan         text    NOT NULL,
    key          text,
    operator     text    NOT NULL,
    door_cycle   bigint,                 -- opened and closed so often before, as the operator counts
    triggered_by text    NOT NULL,
    software     text    NOT NULL,
    hand_read    boolean NOT NULL,
    snapshot     text    NOT NULL,       -- JSON
    created_ns   bigint,
    -- What changes while a run lasts:
    started_ns   bigint,
    ended_ns     bigint,
    analyzer     text,                   -- JSON
    source       text,                   -- JSON
    state        text    NOT NULL,
    reason       text    NOT NULL,
    step         integer NOT NULL,
    point        integer NOT NULL,
    captures     integer NOT NULL DEFAULT 0,  -- that came in
    evaluated    boolean NOT NULL DEFAULT false
);

CREATE INDEX runs_bench   ON lidded.runs (bench, id);
CREATE INDEX runs_journal ON lidded.runs (journal, n);
CREATE INDEX runs_key     ON lidded.runs (key, bench) WHERE key IS NOT NULL;
CREATE INDEX runs_done    ON lidded.runs (bench, plan, id) WHERE state = 'completed' AND NOT hand_read;
CREATE INDEX runs_due     ON lidded.runs (journal) WHERE NOT evaluated AND state IN ('completed', 'stopped', 'aborted', 'failed');

CREATE TABLE lidded.run_specimens (
    run_id   uuid    NOT NULL REFERENCES lidded.runs (id),
    place    integer NOT NULL,
    specimen text    NOT NULL,
    enclosed boolean NOT NULL DEFAULT false, -- something was captured through it
    PRIMARY KEY (run_id, place)
);

CREATE INDEX run_specimens_name ON lidded.run_specimens (specimen, run_id);

CREATE TABLE lidded.captures (
    id               uuid        NOT NULL,
    run_time         timestamptz NOT NULL,
    run_id           uuid        NOT NULL,
    seq              integer     NOT NULL,
    step             integer     NOT NULL,
    kind             text        NOT NULL,
    specimen         text        NOT NULL,
    position         text        NOT NULL,
    polarization     text        NOT NULL,
    repeat           integer     NOT NULL,
    point            integer     NOT NULL,
    freq_hz          float8      NOT NULL,
    rung             integer     NOT NULL,
    source_freq_hz   float8      NOT NULL,
    source_level_dbm float8,
    settings         text        NOT NULL, -- JSON
    hold_sweeps      integer     NOT NULL,
    held_sweeps      integer     NOT NULL,
    hand_level_dbm   float8,
    hand_noise_dbm   float8,
    overload         boolean     NOT NULL,
    void             text        NOT NULL,
    begun_ns         bigint,
    took_ns          bigint      NOT NULL,
    nominal_ns       bigint      NOT NULL,
    PRIMARY KEY (run_id, seq, run_time)
) PARTITION BY RANGE (run_time);

CREATE UNIQUE INDEX captures_id ON lidded.captures (id, run_time);

CREATE TABLE lidded.looks (
    run_time   timestamptz NOT NULL,
    run_id     uuid        NOT NULL,
    seq        integer     NOT NULL, -- of the capture
    look       integer     NOT NULL,
    source_on  boolean     NOT NULL,
    start_hz   float8      NOT NULL,
    stop_hz    float8      NOT NULL,
    points     integer     NOT NULL,
    width      integer     NOT NULL,
    levels_dbm bytea       NOT NULL, -- IEEE 754, little-endian, width bytes each; trace_dbm reads it
    begun_ns   bigint,
    took_ns    bigint      NOT NULL,
    PRIMARY KEY (run_id, seq, look, run_time)
) PARTITION BY RANGE (run_time);

-- Noise does not compress; trying costs more than the rest of storing it.
ALTER TABLE lidded.looks ALTER COLUMN levels_dbm SET STORAGE EXTERNAL;

-- Numbers of the whole lab, in the order in which records came in.
CREATE SEQUENCE lidded.arrivals;

CREATE TABLE lidded.events (
    id       uuid        NOT NULL,
    kept_at  timestamptz NOT NULL, -- time in the identifier of the run, or of the event of no run
    n        bigint      NOT NULL DEFAULT nextval('lidded.arrivals'),
    journal  integer     NOT NULL,
    seq      bigint      NOT NULL,
    run_id   uuid,
    time_ns  bigint,
    kind     text        NOT NULL,
    state    text,
    step     integer     NOT NULL,
    point    integer     NOT NULL,
    text     text        NOT NULL,
    who      text        NOT NULL,
    extra    text,                 -- JSON
    PRIMARY KEY (id, kept_at)
) PARTITION BY RANGE (kept_at);

CREATE INDEX events_run     ON lidded.events (run_id, seq);
CREATE INDEX events_journal ON lidded.events (journal, seq);
CREATE INDEX events_n       ON lidded.events (n);

CREATE TABLE lidded.keyings (
    id        uuid        NOT NULL,
    kept_at   timestamptz NOT NULL, -- time in the identifier
    n         bigint      NOT NULL DEFAULT nextval('lidded.arrivals'),
    journal   integer     NOT NULL,
    entry     bigint      NOT NULL,
    run_id    uuid,
    step      integer     NOT NULL,
    point     integer     NOT NULL,
    freq_hz   float8      NOT NULL,
    level_dbm float8      NOT NULL,
    on_ns     bigint      NOT NULL,
    PRIMARY KEY (id, kept_at)
) PARTITION BY RANGE (kept_at);

CREATE INDEX keyings_run   ON lidded.keyings (run_id, entry);
CREATE INDEX keyings_entry ON lidded.keyings (journal, entry);
CREATE INDEX keyings_on    ON lidded.keyings (on_ns);
CREATE INDEX keyings_n     ON lidded.keyings (n);

CREATE TABLE lidded.keying_ends (
    id            uuid        NOT NULL, -- of the keying
    kept_at       timestamptz NOT NULL, -- of the keying
    off_ns        bigint      NOT NULL,
    not_confirmed text        NOT NULL,
    PRIMARY KEY (id, kept_at)
) PARTITION BY RANGE (kept_at);

-- What the captures of an ended run mean, as a version of the software judged
-- them. A judgement is never replaced: a later version is added beside it, and
-- the newest counts.
CREATE TABLE lidded.evaluations (
    run_id   uuid        NOT NULL REFERENCES lidded.runs (id),
    version  smallint    NOT NULL, -- from 1
    software text        NOT NULL,
    made_at  timestamptz NOT NULL DEFAULT now(),
    notes    text        NOT NULL,
    PRIMARY KEY (run_id, version),
    UNIQUE (run_id, software)
);

CREATE TABLE lidded.specimen_results (
    specimen          text        NOT NULL,
    run_time          timestamptz NOT NULL,
    run_id            uuid        NOT NULL,
    version           smallint    NOT NULL,
    bench             text        NOT NULL,
    plan              text        NOT NULL,
    verdict           text        NOT NULL,
    sentence          text        NOT NULL,
    lowest_relation   text        NOT NULL, -- = a value, >= a bound, ? none
    lowest_se_db      float8,
    lowest_freq_hz    float8,
    worst_headroom_db float8,               -- NULL: nothing is required, or nothing is claimed
    measured          integer     NOT NULL,
    at_least          integer     NOT NULL,
    ambient           integer     NOT NULL,
    void              integer     NOT NULL,
    missing           integer     NOT NULL,
    PRIMARY KEY (specimen, run_time, run_id, version),
    FOREIGN KEY (run_id, version) REFERENCES lidded.evaluations (run_id, version)
);

CREATE INDEX specimen_results_bench ON lidded.specimen_results (bench, run_time);
CREATE INDEX specimen_results_run   ON lidded.specimen_results (run_id);

CREATE TABLE lidded.point_results (
    run_time         timestamptz NOT NULL,
    run_id           uuid        NOT NULL,
    version          smallint    NOT NULL,
    place            integer     NOT NULL, -- in the evaluation, from 0
    bench            text        NOT NULL,
    specimen         text        NOT NULL,
    position         text        NOT NULL,
    polarization     text        NOT NULL,
    repeat           smallint    NOT NULL,
    point            integer     NOT NULL,
    freq_hz          float8      NOT NULL,
    outcome          text        NOT NULL,
    relation         text        NOT NULL, -- = a value, >= a bound, ? none
    se_db            float8,
    se_low_db        float8,
    se_high_db       float8,
    expanded_u_db    float8,
    confidence       float8      NOT NULL,
    reference_dbm    float8,
    enclosed_dbm     float8,
    noise_floor_dbm  float8,
    dynamic_range_db float8,
    required_db      float8,
    headroom_db      float8,
    verdict          text        NOT NULL,
    reason           text        NOT NULL,
    method           text        NOT NULL,
    PRIMARY KEY (run_id, version, place, run_time)
) PARTITION BY RANGE (run_time);

CREATE INDEX point_results_specimen ON lidded.point_results (specimen, run_time);

-- Partitions --------------------------------------------------------------

CREATE TABLE lidded.partitioned (
    name   text PRIMARY KEY,
    by_key text    NOT NULL,
    ledger boolean NOT NULL -- kept by the rule of the ledger
);

INSERT INTO lidded.partitioned VALUES
    ('captures', 'run_time', false), ('looks', 'run_time', false), ('point_results', 'run_time', false),
    ('events', 'kept_at', false), ('keyings', 'kept_at', true), ('keying_ends', 'kept_at', true);

-- +goose StatementBegin
DO $$
DECLARE t lidded.partitioned;
BEGIN
    FOR t IN SELECT * FROM lidded.partitioned LOOP
        EXECUTE format('CREATE TABLE lidded.%I PARTITION OF lidded.%I DEFAULT', t.name || '_default', t.name);
    END LOOP;
END $$;
-- +goose StatementEnd

-- Makes the partitions of the month that holds a time, and says how many were
-- new. A month more than 13 months ahead, or before 2000, is a wrong clock's and
-- gets none. Records of the month that lay in the default partition move.
-- +goose StatementBegin
CREATE FUNCTION lidded.make_month(at timestamptz) RETURNS integer
LANGUAGE plpgsql SECURITY DEFINER SET search_path = lidded, pg_temp SET timezone = 'UTC' AS $$
DECLARE
    t     lidded.partitioned;
    month timestamptz := date_trunc('month', at);
    next  timestamptz := date_trunc('month', at) + interval '1 month';
    part  text;
    made  integer := 0;
BEGIN
    IF month < '2000-01-01' OR month > now() + interval '13 months' THEN
        RETURN 0;
    END IF;
    FOR t IN SELECT * FROM partitioned ORDER BY name LOOP
        part := t.name || to_char(month, '_YYYY_MM');
        CONTINUE WHEN to_regclass('lidded.' || part) IS NOT NULL;
        PERFORM pg_advisory_xact_lock(hashtext('lidded.make_month'));
        CONTINUE WHEN to_regclass('lidded.' || part) IS NOT NULL;
        EXECUTE format('CREATE TABLE %I (LIKE %I INCLUDING DEFAULTS INCLUDING STORAGE INCLUDING CONSTRAINTS)', part, t.name);
        EXECUTE format('WITH moved AS (DELETE FROM %I WHERE %I >= %L AND %I < %L RETURNING *) INSERT INTO %I SELECT * FROM moved',
            t.name || '_default', t.by_key, month, t.by_key, next, part);
        EXECUTE format('ALTER TABLE %I ATTACH PARTITION %I FOR VALUES FROM (%L) TO (%L)', t.name, part, month, next);
        made := made + 1;
    END LOOP;
    RETURN made;
END $$;
-- +goose StatementEnd

-- Makes the partitions of this month and so many after it.
-- +goose StatementBegin
CREATE FUNCTION lidded.make_partitions(months_ahead integer) RETURNS integer
LANGUAGE sql AS $$
    SELECT coalesce(sum(lidded.make_month(now() + make_interval(months => m))), 0)::integer FROM generate_series(0, months_ahead) m
$$;
-- +goose StatementEnd

-- Drops the partitions that lie wholly before now less so many months, those of
-- the ledger by their own number; NULL keeps for good. Tells what it dropped.
-- +goose StatementBegin
CREATE FUNCTION lidded.drop_partitions(keep_months integer, keep_ledger_months integer) RETURNS SETOF text
LANGUAGE plpgsql SET timezone = 'UTC' AS $$
DECLARE p record;
BEGIN
    FOR p IN
        SELECT c.relname AS part, t.ledger, to_date(right(c.relname, 7), 'YYYY_MM') + interval '1 month' AS ends
        FROM lidded.partitioned t
        JOIN pg_inherits i ON i.inhparent = ('lidded.' || t.name)::regclass
        JOIN pg_class c ON c.oid = i.inhrelid
        WHERE c.relname ~ '_\d{4}_\d{2}$'
        ORDER BY c.relname
    LOOP
        IF p.ends <= now() - make_interval(months => CASE WHEN p.ledger THEN keep_ledger_months ELSE keep_months END) THEN
            EXECUTE format('DROP TABLE lidded.%I', p.part);
            RETURN NEXT p.part;
        END IF;
    END LOOP;
END $$;
-- +goose StatementEnd

-- Reading --------------------------------------------------------------------

-- The levels of a trace in dBm; NaN is a missing point.
-- +goose StatementBegin
CREATE FUNCTION lidded.trace_dbm(levels bytea, width integer) RETURNS float8[]
LANGUAGE plpgsql IMMUTABLE STRICT PARALLEL SAFE AS $$
DECLARE
    out  float8[] := '{}';
    ebits integer := CASE width WHEN 4 THEN 8 ELSE 11 END;
    fbits integer := CASE width WHEN 4 THEN 23 ELSE 52 END;
    bias integer := CASE width WHEN 4 THEN 127 ELSE 1023 END;
    bits bigint;
    e    integer;
    f    float8;
BEGIN
    FOR i IN 0 .. length(levels) / width - 1 LOOP
        bits := 0;
        FOR b IN REVERSE width - 1 .. 0 LOOP
            bits := (bits << 8) | get_byte(levels, i * width + b);
        END LOOP;
        e := ((bits >> fbits) & ((1 << ebits) - 1))::integer;
        f := (bits & ((1::bigint << fbits) - 1))::float8 / (1::bigint << fbits)::float8;
        out := out || CASE
            WHEN e = (1 << ebits) - 1 AND f <> 0 THEN 'NaN'::float8
            WHEN e = (1 << ebits) - 1 THEN CASE WHEN get_byte(levels, (i + 1) * width - 1) >= 128 THEN '-Infinity'::float8 ELSE 'Infinity'::float8 END
            ELSE (CASE WHEN get_byte(levels, (i + 1) * width - 1) >= 128 THEN -1 ELSE 1 END)
                * (CASE WHEN e = 0 THEN f * 2::float8 ELSE 1 + f END) * power(2::float8, e - bias)
        END;
    END LOOP;
    RETURN out;
END $$;
-- +goose StatementEnd

CREATE FUNCTION lidded.utc(ns bigint) RETURNS timestamptz
LANGUAGE sql IMMUTABLE STRICT PARALLEL SAFE RETURN to_timestamp(ns / 1000000000) + make_interval(secs => (ns % 1000000000) / 1e9);

CREATE VIEW lidded.v_benches AS
SELECT r.bench, j.id AS journal, count(*) AS runs, max(r.run_time) AS newest_run_utc, j.shipped_at AS last_shipped_utc
FROM lidded.runs r JOIN lidded.journals j ON j.n = r.journal GROUP BY r.bench, j.n;
COMMENT ON VIEW lidded.v_benches IS 'Benches, the journal each is kept in, and when it last shipped.';

CREATE VIEW lidded.v_runs AS
SELECT r.id AS run, r.bench, r.plan, r.operator, r.door_cycle, r.triggered_by, r.software, r.hand_read, r.state, r.reason, r.step, r.point, r.captures,
       r.run_time AS run_utc, lidded.utc(r.created_ns) AS created_utc, lidded.utc(r.started_ns) AS started_utc, lidded.utc(r.ended_ns) AS ended_utc,
       (SELECT array_agg(s.specimen ORDER BY s.place) FROM lidded.run_specimens s WHERE s.run_id = r.id) AS specimens
FROM lidded.runs r;
COMMENT ON VIEW lidded.v_runs IS 'Runs of all benches. run_utc is the time in the run''s identifier.';

CREATE VIEW lidded.v_captures AS
SELECT c.id AS capture, c.run_id AS run, r.bench, c.run_time AS run_utc, c.seq, c.step, c.kind, c.specimen, c.position, c.polarization, c.repeat, c.point, c.freq_hz,
       c.rung, c.source_freq_hz, c.source_level_dbm, c.settings::json AS settings, c.hand_level_dbm, c.hand_noise_dbm, c.overload, c.void,
       lidded.utc(c.begun_ns) AS begun_utc, c.took_ns / 1e9 AS took_s
FROM lidded.captures c JOIN lidded.runs r ON r.id = c.run_id;
COMMENT ON VIEW lidded.v_captures IS 'What was taken at each point. A condition on run_utc reads only the months it names.';

CREATE VIEW lidded.v_traces AS
SELECT l.run_id AS run, l.run_time AS run_utc, l.seq, l.look, l.source_on, l.start_hz, l.stop_hz, l.points, lidded.trace_dbm(l.levels_dbm, l.width) AS levels_dbm,
       lidded.utc(l.begun_ns) AS begun_utc, l.took_ns / 1e9 AS took_s
FROM lidded.looks l;
COMMENT ON VIEW lidded.v_traces IS 'Traces, levels from start_hz to stop_hz; NaN is a missing point. seq is the capture''s within its run.';

CREATE VIEW lidded.v_events AS
SELECT e.n, r.bench, e.run_id AS run, lidded.utc(e.time_ns) AS time_utc, e.kind, e.state, e.step, e.point, e.text, e.who, e.extra::json AS extra
FROM lidded.events e LEFT JOIN lidded.runs r ON r.id = e.run_id;
COMMENT ON VIEW lidded.v_events IS 'What happened, in the order in which it came in (n).';

CREATE VIEW lidded.v_keyings AS
SELECT k.n, k.entry, r.bench, k.run_id AS run, k.step, k.point, k.freq_hz, k.level_dbm, lidded.utc(k.on_ns) AS on_utc, lidded.utc(e.off_ns) AS off_utc,
       (e.off_ns - k.on_ns) / 1e9 AS on_s, e.not_confirmed
FROM lidded.keyings k LEFT JOIN lidded.keying_ends e ON e.id = k.id AND e.kept_at = k.kept_at LEFT JOIN lidded.runs r ON r.id = k.run_id;
COMMENT ON VIEW lidded.v_keyings IS 'The transmission ledger of all benches; an entry without off_utc is on, or shows a crash while keyed.';

CREATE VIEW lidded.v_point_results AS
SELECT p.run_id AS run, p.run_time AS run_utc, p.bench, p.specimen, p.position, p.polarization, p.repeat, p.point, p.freq_hz, p.outcome, p.relation, p.se_db,
       p.se_low_db, p.se_high_db, p.expanded_u_db, p.confidence, p.reference_dbm, p.enclosed_dbm, p.noise_floor_dbm, p.dynamic_range_db,
       p.required_db, p.headroom_db, p.verdict, p.reason, p.method, p.version, e.software
FROM lidded.point_results p
CROSS JOIN LATERAL (SELECT v.version, v.software FROM lidded.evaluations v WHERE v.run_id = p.run_id ORDER BY v.version DESC LIMIT 1) e -- looked up once a run
WHERE p.version >= e.version; -- none is higher; = would be reckoned to keep one row in 200
COMMENT ON VIEW lidded.v_point_results IS 'Shielding effectiveness at each point, as the newest evaluation has it. relation: = a value, >= a lower bound (se_db is then the bound), ? no claim. Never average bounds with values.';

CREATE VIEW lidded.v_specimen_results AS
SELECT s.specimen, s.run_id AS run, s.run_time AS run_utc, s.bench, s.plan, s.verdict, s.sentence, s.lowest_relation, s.lowest_se_db, s.lowest_freq_hz, s.worst_headroom_db,
       s.measured, s.at_least, s.ambient, s.void, s.missing, s.version
FROM lidded.specimen_results s
WHERE s.version = (SELECT max(v.version) FROM lidded.evaluations v WHERE v.run_id = s.run_id);
COMMENT ON VIEW lidded.v_specimen_results IS 'Each specimen''s summary of each run, as the newest evaluation has it.';

-- The newest summary of every specimen, found by stepping through the names.
CREATE VIEW lidded.v_specimens_now AS
WITH RECURSIVE names AS (
    (SELECT specimen FROM lidded.specimen_results ORDER BY specimen LIMIT 1)
    UNION ALL
    SELECT (SELECT s.specimen FROM lidded.specimen_results s WHERE s.specimen > names.specimen ORDER BY s.specimen LIMIT 1) FROM names WHERE names.specimen IS NOT NULL
)
SELECT now.specimen, now.run_id AS run, now.run_time AS run_utc, now.bench, now.plan, now.verdict, now.sentence, now.lowest_relation, now.lowest_se_db, now.lowest_freq_hz,
       now.worst_headroom_db, now.version
FROM names CROSS JOIN LATERAL (
    SELECT * FROM lidded.specimen_results s WHERE s.specimen = names.specimen ORDER BY s.run_time DESC, s.run_id DESC, s.version DESC LIMIT 1
) now;
COMMENT ON VIEW lidded.v_specimens_now IS 'Every specimen as its newest evaluated run has it.';

-- Grants ----------------------------------------------------------------------

GRANT USAGE ON SCHEMA lidded TO lidded_ship, lidded_read;
GRANT SELECT ON ALL TABLES IN SCHEMA lidded TO lidded_ship, lidded_read;
GRANT INSERT ON lidded.journals, lidded.runs, lidded.run_specimens, lidded.captures, lidded.looks, lidded.events, lidded.keyings, lidded.keying_ends,
    lidded.evaluations, lidded.specimen_results, lidded.point_results TO lidded_ship;
GRANT UPDATE (event_seq, event_id, keying_entry, open_entries, shipped_at) ON lidded.journals TO lidded_ship;
GRANT UPDATE (started_ns, ended_ns, analyzer, source, state, reason, step, point, captures, evaluated) ON lidded.runs TO lidded_ship;
GRANT UPDATE (enclosed) ON lidded.run_specimens TO lidded_ship;
GRANT USAGE ON SEQUENCE lidded.arrivals TO lidded_ship;
REVOKE EXECUTE ON FUNCTION lidded.make_month(timestamptz), lidded.make_partitions(integer), lidded.drop_partitions(integer, integer) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION lidded.make_month(timestamptz) TO lidded_ship;
-- +goose StatementBegin
DO $$ BEGIN EXECUTE format('GRANT TEMPORARY ON DATABASE %I TO lidded_ship', current_database()); END $$;
-- +goose StatementEnd

-- Compiling a query over many partitions takes longer than running it. Whoever
-- owns the schema alone, and not the database, leaves that as it is.
-- +goose StatementBegin
DO $$ BEGIN
    EXECUTE format('ALTER DATABASE %I SET jit = off', current_database());
EXCEPTION WHEN insufficient_privilege THEN
    RAISE NOTICE 'jit stays on: ask the owner of the database for ALTER DATABASE ... SET jit = off';
END $$;
-- +goose StatementEnd
