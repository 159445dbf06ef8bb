"""Routes of the settings: one's own, people, channels, defaults, and rules for gateways tried out."""
