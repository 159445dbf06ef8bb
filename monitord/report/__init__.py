"""What can be proved: exports that a third party can check."""
