-- grain: one reason over all logs. key: (stage, reason, kept).
SELECT 'ingest' AS stage, reason, kept, CAST(sum(count) AS BIGINT) AS count
FROM file_flags
GROUP BY reason, kept
ORDER BY kept, reason;
