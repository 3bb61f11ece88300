-- must return no rows: a log whose lines are not all accounted for. grain: one log.
WITH listed AS (
    SELECT file_id, count(*) AS listed
    FROM rejected
    GROUP BY file_id
)

SELECT f.file, f.lines, f.used, f.passed_over, f.rejected, coalesce(l.listed, 0) AS listed
FROM files AS f
LEFT JOIN listed AS l USING (file_id)
WHERE
    f.file_id IN (SELECT unnest($new))
    AND (f.used + f.passed_over + f.rejected <> f.lines OR f.rejected <> coalesce(l.listed, 0) OR f.used < 0);
