-- must return no rows: a log whose samples are not as many, or not when, its row in `files` says. grain: one log.
WITH stored AS (
    SELECT file_id, count(*) AS rows, min(time) AS first_time, max(time) AS last_time
    FROM samples
    WHERE file_id IN (SELECT unnest($new))
    GROUP BY file_id
)

SELECT f.file, f.samples, s.rows
FROM files AS f
LEFT JOIN stored AS s USING (file_id)
WHERE
    f.file_id IN (SELECT unnest($new))
    AND (
        f.samples <> coalesce(s.rows, 0)
        OR f.first_time IS DISTINCT FROM s.first_time
        OR f.last_time IS DISTINCT FROM s.last_time
    );
