"""May this probe be believed: quality, jumps, placement, silence, battery, checks against others and over salts."""
