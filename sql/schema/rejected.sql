-- grain: one damaged line of one log. key: (file_id, line). `file` is the log's first name, `text` at most 200 characters.
CREATE TABLE IF NOT EXISTS rejected (file VARCHAR, line BIGINT, reason VARCHAR, text VARCHAR, file_id VARCHAR);
