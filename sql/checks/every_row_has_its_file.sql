-- must return no rows: rejected lines or flags of a log that is not in `files`. grain: one log.
SELECT file_id FROM rejected
UNION
SELECT file_id FROM file_flags
EXCEPT
SELECT file_id FROM files;
