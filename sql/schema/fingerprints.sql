-- grain: one stage. key: stage. value: hash of everything that the stage's tables were made from.
CREATE TABLE IF NOT EXISTS fingerprints (stage VARCHAR, value VARCHAR);
