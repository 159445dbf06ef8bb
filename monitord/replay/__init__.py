"""History through the same assessment and alerts as the daemon, at the time of the data."""
