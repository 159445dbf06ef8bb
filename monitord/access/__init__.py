"""Letting people and programs in: passwords, signing in, one-time links, links of clients."""
