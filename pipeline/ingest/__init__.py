"""What instruments wrote: logs decoded, put on one clock, into DuckDB."""
