-- grain: one damaged line; `names` holds (file_id, file, also_named). The line goes by its log's present name.
UPDATE rejected AS r
SET file = n.file
FROM names AS n
WHERE r.file_id = n.file_id AND r.file IS DISTINCT FROM n.file;
