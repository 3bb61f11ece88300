"""What was being done: the set that was up, manoeuvres, steady windows."""
