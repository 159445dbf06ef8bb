"""What a message says: templates, digests, short messages, signed links."""
