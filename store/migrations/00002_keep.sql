-- Traces of old runs may leave the journal, by one way only: a copy of the run
-- lies in a file of its own, with its digest in archives, and pruned says when,
-- by which rule and by whom, and keeps the results as they stood.

-- +goose Up

-- Copies of runs in files: each a journal of this schema that holds one run.
CREATE TABLE archives (
    n       INTEGER PRIMARY KEY AUTOINCREMENT,
    run_n   INTEGER NOT NULL REFERENCES runs (n),
    path    TEXT    NOT NULL CHECK (path <> ''),
    sha256  TEXT    NOT NULL CHECK (length(sha256) = 64), -- of the file, hexadecimal
    bytes   INTEGER NOT NULL CHECK (bytes > 0),           -- of the file
    looks   INTEGER NOT NULL,                             -- traces in it
    made_ns INTEGER NOT NULL,
    UNIQUE (n, run_n)
) STRICT;

CREATE INDEX archives_run ON archives (run_n, n);

-- Runs whose traces lie in their archive alone.
CREATE TABLE pruned (
    run_n      INTEGER PRIMARY KEY REFERENCES runs (n),
    archive_n  INTEGER NOT NULL,
    rule       TEXT    NOT NULL CHECK (rule <> ''),
    who        TEXT    NOT NULL,
    software   TEXT    NOT NULL,                          -- that judged
    evaluation TEXT    NOT NULL CHECK (json_valid(evaluation)), -- JSON: the results as they stood
    pruned_ns  INTEGER NOT NULL,
    FOREIGN KEY (archive_n, run_n) REFERENCES archives (n, run_n)
) STRICT;

-- Runs whose traces may go: ended for good, and neither the newest run that says
-- something about a specimen on its bench, nor the newest completed one that does,
-- nor the newest completed run of its plan there.
CREATE VIEW prunable AS
SELECT r.n AS run_n
FROM runs r
WHERE r.state IN ('completed', 'stopped', 'aborted', 'failed')
  AND NOT EXISTS (SELECT 1 FROM pruned p WHERE p.run_n = r.n)
  AND EXISTS (SELECT 1 FROM captures c JOIN looks l ON l.capture_n = c.n WHERE c.run_n = r.n)
  AND NOT EXISTS (
    SELECT 1 FROM run_specimens s
    WHERE s.run_n = r.n AND r.state IN ('completed', 'stopped')
      AND EXISTS (SELECT 1 FROM captures c WHERE c.run_n = r.n AND c.specimen = s.specimen AND c.kind = 'enclosed')
      AND NOT EXISTS (
        SELECT 1 FROM run_specimens t JOIN runs o ON o.n = t.run_n
        WHERE t.specimen = s.specimen AND o.n > r.n AND o.bench = r.bench AND o.hand_read = 0
          AND (o.state = 'completed' OR o.state = 'stopped' AND r.state = 'stopped')
          AND EXISTS (SELECT 1 FROM captures c WHERE c.run_n = o.n AND c.specimen = t.specimen AND c.kind = 'enclosed')))
  AND NOT (r.state = 'completed' AND NOT EXISTS (
    SELECT 1 FROM runs o WHERE o.bench = r.bench AND o.plan = r.plan AND o.state = 'completed' AND o.hand_read = 0 AND o.n > r.n));

-- +goose StatementBegin
CREATE TRIGGER archives_stay BEFORE UPDATE ON archives
BEGIN SELECT RAISE(ABORT, 'archives are never changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER archives_kept BEFORE DELETE ON archives
BEGIN SELECT RAISE(ABORT, 'archives are never forgotten'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER pruned_may BEFORE INSERT ON pruned
WHEN NEW.run_n NOT IN (SELECT run_n FROM prunable)
BEGIN SELECT RAISE(ABORT, 'the traces of this run stay'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER pruned_copied BEFORE INSERT ON pruned
WHEN (SELECT a.looks FROM archives a WHERE a.n = NEW.archive_n)
  IS NOT (SELECT count(*) FROM captures c JOIN looks l ON l.capture_n = c.n WHERE c.run_n = NEW.run_n)
BEGIN SELECT RAISE(ABORT, 'the archive does not hold every trace of the run'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER pruned_stay BEFORE UPDATE ON pruned
BEGIN SELECT RAISE(ABORT, 'what was pruned is never changed'); END;
-- +goose StatementEnd
-- Forgotten only when every trace is back.
-- +goose StatementBegin
CREATE TRIGGER pruned_kept BEFORE DELETE ON pruned
WHEN (SELECT a.looks FROM archives a WHERE a.n = OLD.archive_n)
  IS NOT (SELECT count(*) FROM captures c JOIN looks l ON l.capture_n = c.n WHERE c.run_n = OLD.run_n)
BEGIN SELECT RAISE(ABORT, 'the traces of this run are not back'); END;
-- +goose StatementEnd
DROP TRIGGER looks_kept;
-- +goose StatementBegin
CREATE TRIGGER looks_kept BEFORE DELETE ON looks
WHEN NOT EXISTS (SELECT 1 FROM captures c JOIN pruned p ON p.run_n = c.run_n WHERE c.n = OLD.capture_n)
BEGIN SELECT RAISE(ABORT, 'looks are never deleted'); END;
-- +goose StatementEnd
-- A run that has its traces elsewhere gets no others.
-- +goose StatementBegin
CREATE TRIGGER captures_of_pruned BEFORE INSERT ON captures
WHEN EXISTS (SELECT 1 FROM pruned p WHERE p.run_n = NEW.run_n)
BEGIN SELECT RAISE(ABORT, 'the run was pruned'); END;
-- +goose StatementEnd
