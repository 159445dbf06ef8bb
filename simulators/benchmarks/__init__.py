"""Speed of ingest, replay and the mould model, each beside a baseline of the same run."""
