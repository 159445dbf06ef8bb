"""Who is told what and when, or why not: pure."""
