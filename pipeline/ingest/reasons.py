"""Why a line of an NMEA 0183 log is rejected, in the words of the `rejected` table, and counts of every ingest."""

from __future__ import annotations

WRONG_SUM = "wrong checksum"
MISSING_SUM = "missing checksum, which the file otherwise has"
CUT_SUM = "checksum cut short or not hexadecimal"
WRONG_TAG_SUM = "wrong checksum of the TAG block"
CUT_TAG = "unreadable TAG block"
TORN = "torn sentence: a checksum without the beginning"
BAD_FIELD = "unreadable field"
TOO_FEW = "unreadable: too few fields for this sentence"
BAD_TIME = "unreadable time or date"
BAD_STAMP = "unreadable time stamp in front of the sentence"
BEHIND = "text behind the checksum that is no sentence"
UNTIMED = "no time can be found for this line"

# What every ingest counts, whatever the logs.
ON_THE_CLOCK = "samples on the clock"
LINES_REJECTED = "lines rejected"

REASONS = (
    WRONG_SUM,
    MISSING_SUM,
    CUT_SUM,
    WRONG_TAG_SUM,
    CUT_TAG,
    TORN,
    BAD_FIELD,
    TOO_FEW,
    BAD_TIME,
    BAD_STAMP,
    BEHIND,
    UNTIMED,
)
CODE = {reason: code for code, reason in enumerate(REASONS)}
