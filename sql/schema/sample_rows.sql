-- grain: one tick of one log's clock. key: (time, file_id). Times UTC; a column of DOUBLE for every channel of
-- pipeline/channels.py (units there) and for every further transducer is added when a value of it is met; NULL is
-- missing. `fresh`: bit n is set where catalogue channel n was measured in this very tick, bit 62 for further
-- transducers. To be read as `samples`, a view of the same grain that has every channel of the catalogue.
CREATE TABLE IF NOT EXISTS sample_rows (time TIMESTAMP, file_id VARCHAR, fresh BIGINT);
