"""Pure physics of wind and water: no files, no tables, no settings."""
