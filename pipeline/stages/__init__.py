"""Stages of a run that keep what they made, and know what of it is to be made anew."""

STAGES = ("ingest", "windows", "fit", "report")
