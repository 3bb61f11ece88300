-- grain: one stretch of time in which several logs run, or one follows on another. key: start. Times UTC.
-- $reach: a stretch reaches on for so long after the last moment shared, since values are carried from one log to the next.
-- $near: a log that begins within so long of the end of another follows on it.
WITH spans AS (
    SELECT file_id, first_time, last_time
    FROM files
    WHERE samples > 0
),

ordered AS (
    SELECT
        *,
        max(last_time) OVER (
            ORDER BY first_time, last_time, file_id ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
        ) AS earlier_end
    FROM spans
),

shared AS (
    SELECT
        first_time AS start,
        greatest(least(earlier_end, last_time), first_time) + $reach AS stop
    FROM ordered
    WHERE first_time <= earlier_end + $near
),

marked AS (
    SELECT
        *,
        start > max(stop) OVER (ORDER BY start, stop ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS apart
    FROM shared
),

numbered AS (
    SELECT start, stop, count(*) FILTER (WHERE coalesce(apart, true)) OVER (ORDER BY start, stop) AS island
    FROM marked
)

SELECT min(start) AS start, max(stop) AS stop
FROM numbered
GROUP BY island
ORDER BY start;
