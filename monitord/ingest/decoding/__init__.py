"""Bytes to readings, or an error with a code: topic rules, formats, times."""
