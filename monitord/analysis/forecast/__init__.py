"""When the goal will be met, or not in this air."""
