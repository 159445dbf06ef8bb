"""What is asked of the ensemble: level and rate, stall, date, never, at goal."""
