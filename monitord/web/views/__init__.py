"""From stored values to what a template shows."""
