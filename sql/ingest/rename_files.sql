-- grain: one log; `names` holds (file_id, file, also_named). A log found under other names than last time.
UPDATE files AS f
SET file = n.file, also_named = n.also_named
FROM names AS n
WHERE f.file_id = n.file_id AND (f.file, f.also_named) IS DISTINCT FROM (n.file, n.also_named);
