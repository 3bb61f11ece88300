-- must return no rows: a tick of one log that stands in the store twice. grain: one log.
SELECT file_id, count(*) AS rows, count(DISTINCT time) AS ticks
FROM samples
WHERE file_id IN (SELECT unnest($new))
GROUP BY file_id
HAVING count(*) <> count(DISTINCT time);
