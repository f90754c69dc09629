-- Three years of nights of one bench, as its shipper would have left them: a run
-- a night, of one of the bench's four specimens, at 4 positions, 2 polarizations
-- and 110 frequencies; about 1 night in 53 fails and says nothing, 1 in 16 was
-- judged a second time by a later version. About a million results of points.
-- The same number gives the same nights.

CREATE OR REPLACE FUNCTION public.make_history(b integer) RETURNS bigint
LANGUAGE plpgsql AS $$
DECLARE
    from_day constant timestamptz := '2023-07-01 22:00+00';
    nights   constant integer := 1096;
    settings constant integer := 8;
    freqs    constant integer := 110;
    journal_n integer;
    made      bigint;
BEGIN
    PERFORM setseed(b / 1000.0);
    INSERT INTO lidded.journals (id) VALUES (md5('journal ' || b)::uuid) RETURNING n INTO journal_n;

    CREATE TEMP TABLE night ON COMMIT DROP AS
    SELECT d AS n, at AS run_time, 'bench-' || to_char(b, 'FM000') AS bench, 'box-' || to_char(4 * (b - 1) + d % 4 + 1, 'FM0000') AS specimen,
           50 + (b * 7 + d % 4 * 5) % 32 AS base_db, -- of the specimen
           (lpad(to_hex((extract(epoch FROM at) * 1000)::bigint), 12, '0') || '7' || substr(h, 1, 3) || '8' || substr(h, 4, 15))::uuid AS id,
           d % 53 = 52 AS failed, CASE WHEN d % 16 = 15 THEN 2 ELSE 1 END AS versions
    FROM generate_series(0, nights - 1) d,
         LATERAL (SELECT from_day + make_interval(days => d, secs => b), md5(b || ' ' || d)) x (at, h);

    INSERT INTO lidded.runs (id, journal, n, run_time, bench, plan, operator, triggered_by, software, hand_read, snapshot,
        created_ns, started_ns, ended_ns, state, reason, step, point, captures, evaluated)
    SELECT id, journal_n, n + 1, run_time, bench, 'night', 'schedule', 'schedule', '1.0', false, '{}',
        s * 1000000000, (s + 5) * 1000000000, (s + 9000) * 1000000000,
        CASE WHEN failed THEN 'failed' ELSE 'completed' END, CASE WHEN failed THEN 'analyzer does not answer' ELSE '' END, 3, freqs, settings * freqs, true
    FROM night, LATERAL (SELECT extract(epoch FROM run_time)::bigint) x (s);
    INSERT INTO lidded.run_specimens SELECT id, 0, specimen, NOT failed FROM night;
    INSERT INTO lidded.evaluations (run_id, version, software, made_at, notes)
    SELECT id, v, '1.' || v, run_time + interval '3 hours', '' FROM night, generate_series(1, versions) v WHERE NOT failed;

    WITH point AS (
        INSERT INTO lidded.point_results
        SELECT run_time, id, v, i, bench, specimen, (ARRAY['front', 'back', 'left', 'lid'])[i / freqs / 2 + 1], (ARRAY['vertical', 'horizontal'])[i / freqs % 2 + 1], 1, p, f,
            CASE WHEN bound THEN 'at least' ELSE 'measured' END, CASE WHEN bound THEN '>=' ELSE '=' END, se, se - 2.5, CASE WHEN NOT bound THEN se + 2.5 END, 2.5, 0.95,
            -30, -30 - se, -128, 96, 60, se - 60, CASE WHEN se - 2.5 >= 60 THEN 'meets' ELSE 'not shown' END, '', 'substitution'
        FROM night, generate_series(1, versions) v, generate_series(0, settings * freqs - 1) i,
             LATERAL (SELECT i % freqs) a (p),
             LATERAL (SELECT 30e6 * exp(p * ln(200.0::float8) / (freqs - 1)), least(96, base_db + 12 - p * 0.15 - n * 0.003 + random() * 6)) c (f, se),
             LATERAL (SELECT se >= 90) e (bound)
        WHERE NOT failed
        RETURNING specimen, run_time, run_id, version, bench, relation, se_db, freq_hz, headroom_db
    )
    INSERT INTO lidded.specimen_results
    SELECT specimen, run_time, run_id, version, bench, 'night', CASE WHEN min(headroom_db) >= 2.5 THEN 'meets' ELSE 'not shown' END, '',
        (array_agg(relation ORDER BY se_db))[1], min(se_db), (array_agg(freq_hz ORDER BY se_db))[1], min(headroom_db),
        count(*) FILTER (WHERE relation = '='), count(*) FILTER (WHERE relation = '>='), 0, 0, 0
    FROM point GROUP BY specimen, run_time, run_id, version, bench;

    SELECT count(*) * settings * freqs INTO made FROM night, generate_series(1, versions) v WHERE NOT failed;
    RETURN made;
END $$;
