-- must return no rows: a log that stands in the store twice. grain: one content.
SELECT sha256, count(*) AS times
FROM files
GROUP BY sha256
HAVING count(*) > 1;
