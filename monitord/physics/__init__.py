"""What air and materials do: pure functions on numpy arrays, SI units, published equations."""
