"""Readings as they came, their hourly roll-ups, and the record of a job made of them."""
