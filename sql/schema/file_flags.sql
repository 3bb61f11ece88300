-- grain: one reason noticed in one log. key: (file_id, reason, kept).
CREATE TABLE IF NOT EXISTS file_flags (file_id VARCHAR, reason VARCHAR, kept BOOLEAN, count BIGINT);
