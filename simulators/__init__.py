"""A wet building that dries, and probes that lie a little."""
