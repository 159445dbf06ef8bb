"""Tables of alerts, joining the metadata of `tables.py`."""
