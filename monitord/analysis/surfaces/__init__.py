"""Cold surfaces: condensation, the night ahead, mould, frost and heat."""
