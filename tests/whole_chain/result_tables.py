"""The tables that every run leaves, whatever its data."""

RESULT_TABLES = (
    "surfaces",
    "best_set",
    "crossovers",
    "design_comparison",
    "segments",
    "windows",
    "files",
    "rejected",
    "flags",
)
