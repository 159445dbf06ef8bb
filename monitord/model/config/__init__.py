"""Settings: what a firm may configure, each with its default and help."""
