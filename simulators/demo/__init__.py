"""The simulated house of `monitord demo`, and the demo itself."""
