-- grain: one log, by the content of the decompressed file. key: file_id (first 16 hex digits of sha256).
-- `file` is the first of the names the log was found under, `also_named` the others, separated by spaces.
-- lines = used + passed_over + rejected. Times UTC. `settings` is a hash of how the log was read, its date included.
CREATE TABLE IF NOT EXISTS files (
    file VARCHAR,
    sha256 VARCHAR,
    lines BIGINT,
    used BIGINT,
    passed_over BIGINT,
    rejected BIGINT,
    also_named VARCHAR,
    file_id VARCHAR,
    kind VARCHAR,           -- nmea or csv
    dated BOOLEAN,          -- false: the log holds times of day only, its date comes from boat.toml
    first_date DATE,        -- the date given to a log without one
    first_time TIMESTAMP,
    last_time TIMESTAMP,
    rate_hz DOUBLE,
    samples BIGINT,
    settings VARCHAR
);
