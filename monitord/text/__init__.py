"""What people read: the one catalogue of messages, made from facts, in each language."""
