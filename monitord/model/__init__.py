"""What the program talks about: the words of the trade as types."""
