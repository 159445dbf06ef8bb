"""One file for each revision. Write the tables out: a revision never imports `tables.py`, which moves on."""
