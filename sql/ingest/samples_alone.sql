-- grain: one tick of the one log that ran then: samples outside the stretches in `shared_stretches`. key: time.
SELECT s.* EXCLUDE (file_id, fresh)
FROM samples AS s
WHERE
    s.time >= $start AND s.time < $stop
    AND NOT EXISTS (FROM shared_stretches AS o WHERE s.time BETWEEN o.start AND o.stop)
ORDER BY s.time;
