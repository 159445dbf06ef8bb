"""Timber: its moisture from the air around it and from spot readings."""
