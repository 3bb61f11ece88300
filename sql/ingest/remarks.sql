-- grain: one thing noticed in one log, its ordinary counts left out. key: (file_id, reason, kept). The rarest last.
SELECT file_id, reason, kept, count
FROM file_flags
WHERE reason NOT IN ('samples on the clock', 'lines rejected')
ORDER BY file_id, count DESC, reason;
