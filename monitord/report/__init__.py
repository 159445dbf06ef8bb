"""Evidence packs, reports and exports: what leaves the program and can be checked by a third party."""
