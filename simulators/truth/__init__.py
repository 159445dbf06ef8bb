"""What is true of a simulated job, hour by hour and as episodes."""
