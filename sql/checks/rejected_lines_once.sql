-- must return no rows: a line rejected twice, or one that its log does not have. grain: one line of one log.
SELECT r.file_id, r.line, count(*) AS times
FROM rejected AS r
INNER JOIN files AS f USING (file_id)
WHERE r.file_id IN (SELECT unnest($new))
GROUP BY r.file_id, r.line
HAVING count(*) > 1 OR r.line < 1 OR r.line > max(f.lines);
