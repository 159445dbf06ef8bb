"""What the program accepts: from the wire to a committed reading, or to quarantine."""
