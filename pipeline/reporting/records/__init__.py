"""What the reports show, as small frozen records built from the tables by pure functions."""
