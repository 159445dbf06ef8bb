"""What is recorded on site: spot readings, equipment."""
