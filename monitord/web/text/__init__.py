"""Numbers, times and words as a page shows them."""
