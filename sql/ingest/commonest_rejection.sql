-- grain: one row: the first line that was rejected for the commonest reason.
WITH counted AS (
    SELECT reason, count(*) AS lines
    FROM rejected
    GROUP BY reason
)

SELECT r.file, r.line, r.reason, r.text
FROM rejected AS r
INNER JOIN counted AS c USING (reason)
ORDER BY c.lines DESC, r.reason, r.file, r.line
LIMIT 1;
