-- grain: one tick of one log within one stretch of `shared_stretches`, with what was measured before it for $reach.
-- key: (time, file_id). `rank` says which log is believed first: the faster clock, then the longer log, then the hash;
-- `step_us` is the step of the log's clock.
WITH ranked AS (
    SELECT
        file_id,
        CAST(round(1e6 / rate_hz) AS BIGINT) AS step_us,
        row_number() OVER (ORDER BY rate_hz DESC, samples DESC, file_id) AS rank
    FROM files
    WHERE samples > 0
)

SELECT s.* EXCLUDE (file_id), r.rank, r.step_us
FROM samples AS s
INNER JOIN ranked AS r USING (file_id)
WHERE s.time BETWEEN $start - $reach AND $stop
ORDER BY s.time, r.rank;
