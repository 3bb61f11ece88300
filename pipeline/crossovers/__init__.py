"""Where one set overtakes another, and how that lies against the design."""
