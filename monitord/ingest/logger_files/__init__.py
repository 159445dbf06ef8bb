"""Readings from the CSV files that loggers and weather services hand out; `IMPORT.md` is the guide."""
