-- grain: one fact about the store itself. key: name.
CREATE TABLE IF NOT EXISTS meta (name VARCHAR, value VARCHAR);
