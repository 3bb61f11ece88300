-- grain: one tick of one log's clock. key: (time, file_id). Times UTC; a column of DOUBLE for every channel of
-- pipeline/channels.py (units there) and for every further transducer is added as it is met; NULL is missing.
-- `fresh`: bit n is set where catalogue channel n was measured in this very tick, bit 62 for further transducers.
CREATE TABLE IF NOT EXISTS samples (time TIMESTAMP, file_id VARCHAR, fresh BIGINT);
