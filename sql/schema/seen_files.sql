-- grain: one file as last seen in the campaign's logs. key: name. A file whose size and times (nanoseconds since 1970)
-- are still these has still this content, and is not read again.
CREATE TABLE IF NOT EXISTS seen_files (
    name VARCHAR,
    bytes BIGINT,
    modified_ns BIGINT,
    changed_ns BIGINT,
    sha256 VARCHAR,
    blank BOOLEAN
);
