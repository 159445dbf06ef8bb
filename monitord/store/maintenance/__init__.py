"""Keeping the database safe: copies of it, one daemon on it, and what may grow too large in it."""
