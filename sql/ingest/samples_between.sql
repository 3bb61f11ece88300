-- grain: one tick of one log, in the order of loading. key: time, but where several logs run. Times UTC.
SELECT * EXCLUDE (file_id, fresh)
FROM samples
WHERE time >= $start AND time < $stop;
